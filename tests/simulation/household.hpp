// Invented people and what they do with water, one civil day at a time.
//
// The end uses are orders of magnitude from published surveys, so that totals and shapes look like a
// house; they are not a forecast of any. Sources:
//   CCW (UK consumer council for water), published figures: shower 13 L/min power, 8 mixer, 5 electric;
//     flush 5 L (older 9 L); washing machine 50 L; dishwasher 14 L.
//   Residential End Uses of Water, version 2 (Water Research Foundation, 2016), second-hand: a shower
//     takes 7.8 min, 0.69 of them a person a day.
//   Running toilet: US EPA, second-hand: 200 US gallons a day, which is 31.5 L/h.
//   How often people flush and open taps, and when: invented.
#pragma once

#include <cstdint>
#include <vector>

#include "simulation/flow.hpp"

namespace tickledger::simulation {

inline constexpr double flush_l = 5;
inline constexpr double washer_l = 50;
inline constexpr double dishwasher_l = 14;
inline constexpr double running_toilet_l_per_h = 31.5;

enum class Shower : std::uint8_t { electric, mixer, power };

/// A flat and its people.
struct Household {
    int residents = 2;
    Shower shower = Shower::mixer;
    bool washer = true;
    bool dishwasher = true;

    /// The draws that begin on one day, in no order. They depend on the seed and the day's number alone,
    /// and lie relative to its midnight. The night is quiet but for a flush.
    [[nodiscard]] std::vector<Draw> day(std::uint64_t seed, int day_number, Instant midnight) const;
};

/// A garden: a timer waters it on some mornings, somebody carries a can or holds the hose.
struct Garden {
    double irrigation_l_per_min = 12;
    /// It is watered every so many days.
    int irrigation_every_days = 2;

    [[nodiscard]] std::vector<Draw> day(std::uint64_t seed, int day_number, Instant midnight) const;
};

}  // namespace tickledger::simulation
