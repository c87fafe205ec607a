// Households as irregular as real ones: the features that tell draws apart differ from use to use.
//
// The distributions follow open measurements (docs/draws.md compares them):
//   showers: 3 757 showers at 56 heads, DAIAD open data, trial A (CC BY-SA 4.0);
//   taps, pauses, wandering flows: a flat's own meters at each fixture, WEUSEDTO (A. Di Mauro et al., Data in
//     Brief 2022, CC BY 4.0), and 821 labelled uses of a house of five, CIWS (Utah State University, BSD
//     3-Clause);
//   cisterns and washing machines: the same house of five.
// Frequencies a person and day, and habits: household.hpp. Values that none of these sources gives (a bath's
// flow, the course of a dishwasher's fills) are common practice, no source.
#pragma once

#include <cstdint>
#include <vector>

#include "simulation/household.hpp"

namespace tickledger::simulation {

/// One use of water by one person or machine: its draws in order of time, without the pauses between them.
struct Event {
    Use use = Use::tap;
    std::vector<Draw> parts;

    [[nodiscard]] Span span() const { return {parts.front().span.from, parts.back().span.to}; }
    [[nodiscard]] double volume_l() const;
    /// How long water ran, without the pauses.
    [[nodiscard]] double seconds() const;
};

struct Cistern {
    double litres = 6;
    double l_per_min = 7;
};

/// The fixtures and machines of one house, by chance of the seed.
struct WildHouse {
    int residents = 2;
    std::vector<double> showers_l_per_min;  ///< Of each head.
    double shower_l = 27;
    std::vector<double> shower_hours;  ///< When each of them likes to shower.
    double shower_wavers = 0.08;       ///< Spread of the flow's logarithm from moment to moment.
    double soap_pauses = 0.5;          ///< The share of showers in which the tap is closed for soap.
    std::vector<Cistern> cisterns;
    double tap_l_per_min = 3;
    std::vector<double> washer_fills_l;
    std::vector<double> washer_fills_at_min;
    double washer_l_per_min = 8;
    double washer_differs = 0.05;  ///< Spread of the volume's logarithm from load to load.
    int washer_pulses = 3;         ///< The most pulses in a fill.
    std::vector<double> dishwasher_fills_l;
    std::vector<double> dishwasher_fills_at_min;
    double dishwasher_l_per_min = 3;
    bool bath = false;
    bool garden = false;
    double garden_a_day = 0.7;
    double garden_l = 50;
    double garden_litres_differ = 1.1;  ///< Spread of the logarithm from use to use, as for the flows.
    double garden_flows_differ = 0.3;
    double garden_l_per_min = 12;
    double garden_wavers = 0.03;
    double garden_hour = 14;  ///< The mean hour of a use.
    double garden_hours = 6;  ///< The largest distance from it.
};

[[nodiscard]] WildHouse wild_house_of(std::uint64_t seed);

/// All uses of the house over `days` days of 24 hours from a midnight, in the order in which they begin.
[[nodiscard]] std::vector<Event> wild_water_of(const WildHouse& house, std::uint64_t seed, Instant midnight,
                                               int days);

}  // namespace tickledger::simulation
