// Households as wild as real ones: what tells draws apart in a laboratory differs from use to use here.
//
// The distributions follow open measurements (docs/draws.md holds them side by side):
//   showers: 3 757 showers at 56 heads, DAIAD open data, trial A (CC BY-SA 4.0);
//   taps, pauses, wandering flows: a flat's own meters at each fixture, WEUSEDTO (A. Di Mauro et al., Data in
//     Brief 2022, CC BY 4.0), and 821 labelled uses of a house of five, CIWS (Utah State University, BSD
//     3-Clause);
//   cisterns and washing machines: the same house of five.
// Frequencies a person and day, and who lives how: household.hpp. Where nothing above tells a thing (a bath's
// flow, the course of a dishwasher's fills), it is common practice, no source.
#pragma once

#include <cstdint>
#include <vector>

#include "simulation/household.hpp"

namespace tickledger::simulation {

/// One use of water by one person or machine: all that ran for it, pauses left out, in order of time.
struct Event {
    Use use = Use::tap;
    std::vector<Draw> parts;

    [[nodiscard]] Span span() const { return {parts.front().span.from, parts.back().span.to}; }
    [[nodiscard]] double volume_l() const;
    /// Of running water alone.
    [[nodiscard]] double seconds() const;
};

struct Cistern {
    double litres = 6;
    double l_per_min = 7;
};

/// What each fixture and machine of one house is like, by chance of the seed.
struct WildHouse {
    int residents = 2;
    std::vector<double> showers_l_per_min;  ///< Of each head.
    double shower_l = 27;
    std::vector<double> shower_hours;  ///< When each of them likes to shower.
    double shower_wavers = 0.08;       ///< From moment to moment, as a logarithm.
    double soap_pauses = 0.5;          ///< The share of showers in which the tap is closed for soap.
    std::vector<Cistern> cisterns;
    double tap_l_per_min = 3;
    std::vector<double> washer_fills_l;
    std::vector<double> washer_fills_at_min;
    double washer_l_per_min = 8;
    double washer_differs = 0.05;  ///< From load to load, in the logarithm of the volume.
    int washer_pulses = 3;         ///< At most so many make a fill.
    std::vector<double> dishwasher_fills_l;
    std::vector<double> dishwasher_fills_at_min;
    double dishwasher_l_per_min = 3;
    bool bath = false;
    bool garden = false;
    double garden_a_day = 0.7;
    double garden_l = 50;
    double garden_litres_differ = 1.1;  ///< From use to use, as a logarithm; so do the flows.
    double garden_flows_differ = 0.3;
    double garden_l_per_min = 12;
    double garden_wavers = 0.03;
    double garden_hour = 14;  ///< About when, and how far from it at most.
    double garden_hours = 6;
};

[[nodiscard]] WildHouse wild_house_of(std::uint64_t seed);

/// Everything that runs in it on so many days from a midnight (days of 24 hours), in order of beginning.
[[nodiscard]] std::vector<Event> wild_water_of(const WildHouse& house, std::uint64_t seed, Instant midnight,
                                               int days);

}  // namespace tickledger::simulation
