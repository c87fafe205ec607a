// Invented people and what they do with water, one civil day at a time.
//
// The end uses are orders of magnitude from published surveys, so that totals and shapes look like a
// house. They do not forecast any real house. Sources:
//   CCW (UK consumer council for water), published figures: shower 13 L/min power, 8 mixer, 5 electric;
//     bath 80 L; flush 5 L (older 9 L); washing machine 50 L; dishwasher 14 L; a car washed by hose 250 L.
//   Residential End Uses of Water, version 2 (Water Research Foundation, 2016), second-hand: a shower
//     takes 7.8 min, 0.69 of them a person a day.
//   BDEW 2018 (Germany) and SVGW (Switzerland), second-hand, litres a person and day: body 46 and 42, WC 34
//     and 37, laundry 15 and 18, in all 127 and 142.
//   Running toilet: US EPA, second-hand: 200 US gallons a day, which is 31.5 L/h.
//   Habits (sleep, work, holidays, guests, infants) and the times at which a tap is opened are invented.
#pragma once

#include <cstdint>
#include <optional>
#include <vector>

#include "simulation/flow.hpp"

namespace tickledger::simulation {

inline constexpr double flush_l = 5;
inline constexpr double old_flush_l = 9;
inline constexpr double bath_l = 80;
inline constexpr double washer_l = 50;
inline constexpr double dishwasher_l = 14;
inline constexpr double car_wash_l = 250;
inline constexpr double running_toilet_l_per_h = 31.5;

enum class Shower : std::uint8_t { electric, mixer, power };
[[nodiscard]] double flow_l_per_min(Shower shower);

/// A flat and its people.
struct Household {
    int residents = 2;
    Shower shower = Shower::mixer;
    bool washer = true;
    bool dishwasher = true;
    bool bath = false;
    double cistern_l = flush_l;
    /// On five days of seven nobody is at home from morning to late afternoon.
    bool works_out = false;
    /// When the house goes to bed and gets up, from midnight; negative: the evening before.
    Duration to_bed = std::chrono::minutes{-30};
    Duration up = std::chrono::minutes{390};
    /// How often each sleeper goes to the toilet at night.
    double night_flushes_a_person = 0.4;
    /// An infant needs bottles at night.
    bool infant = false;
    /// The share of days on which everybody is away, and the share on which there are guests.
    double away_share = 0;
    double guest_share = 0;

    /// The draws that begin on one day, in no order. Their times from its midnight depend only on the seed
    /// and the day's number.
    [[nodiscard]] std::vector<Draw> day(std::uint64_t seed, int day_number, Instant midnight) const;
    /// A holiday: everybody is away for five days at a time, by chance of the seed.
    [[nodiscard]] bool is_away(std::uint64_t seed, int day_number) const;
};

/// A garden: a timer waters it on some mornings, and people use a watering can or the hose.
struct Garden {
    double irrigation_l_per_min = 12;
    /// Days from one watering to the next.
    int irrigation_every_days = 2;
    Duration irrigation_at = std::chrono::hours{6};
    /// Car washes with the hose.
    double car_washes_a_day = 0;

    [[nodiscard]] std::vector<Draw> day(std::uint64_t seed, int day_number, Instant midnight) const;
};

struct House {
    Household household;
    std::optional<Garden> garden;
};

/// A random house of 1 to 6 people. Large families are more frequent than in reality: they are harder to
/// judge, because the house is seldom still.
[[nodiscard]] House house_of(std::uint64_t seed);

/// All draws of a house over `days` days of 24 hours from a midnight.
[[nodiscard]] std::vector<Draw> water_of(const House& house, std::uint64_t seed, Instant midnight, int days);

}  // namespace tickledger::simulation
