// Homes in which draws are looked for: all their water, use by use. Some are simulated, some were measured.
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

/// A flat with one person, 91 days, from the seconds of its fixtures' own meters. Of its toilet and
/// dishwasher only the start and end of each cycle and the nominal litres are known. The toilet's flow is
/// assumed to be that of a cistern that refills at `cistern_l_per_min`. Absent if the directory has no
/// unpacked flat-spring.csv.
[[nodiscard]] std::optional<Home> flat(const std::string& directory, double cistern_l_per_min);

/// A house of five people, 14 days. Each labelled use runs at its mean flow from a random second of the
/// minute in which it began. The garden's timer is left out, because its 83 m3 would outweigh everything.
[[nodiscard]] std::optional<Home> house_of_five(const std::string& directory);

/// The same home with a leak that never stops.
[[nodiscard]] Home with_leak(Home home, double l_per_h, std::uint64_t seed);

}  // namespace tickledger::draws
