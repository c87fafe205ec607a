// Homes to read draws in: all that ran, use by use. Some are simulated, some were measured.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "simulation/household_wild.hpp"

namespace tickledger::draws {

struct Home {
    std::string name;
    std::vector<simulation::Event> events;  ///< In order of beginning.
    Instant from{};                         ///< A midnight.
    int days = 0;
};

[[nodiscard]] Home wild_home(std::uint64_t seed, int days);

/// A flat, one person, 91 days: the seconds of its fixtures' own meters. Its toilet and dishwasher are known
/// by when a cycle began and ended and by nominal litres; the course of the flow is supposed to be that of a
/// cistern that refills at `cistern_l_per_min`. Absent where the directory holds no flat-spring.csv,
/// unpacked.
[[nodiscard]] std::optional<Home> flat(const std::string& directory, double cistern_l_per_min);

/// A house of five, 14 days: its labelled uses, each at its mean flow from some second of the minute it began
/// in. The garden's own timer is left out: its 83 m3 would drown everything.
[[nodiscard]] std::optional<Home> house_of_five(const std::string& directory);

/// The same home with a leak beneath that never stops.
[[nodiscard]] Home with_leak(Home home, double l_per_h, std::uint64_t seed);

}  // namespace tickledger::draws
