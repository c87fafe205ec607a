// How many of a node's ticks its messages reveal ("told" ticks), worked out from the node's true state.
//
// Between two messages of one boot, every tick is told. If the node restarted in between, its messages leave
// open which count it restored. Every count that it may have restored is tried, and the told ticks are the
// fewest that it must have counted in any of these cases. This code uses none of the daemon's rules.
#pragma once

#include <cstdint>
#include <vector>

#include "simulation/plan.hpp"

namespace tickledger::simulation {

/// A message that a node sent.
struct Sent {
    std::uint32_t node = 0;
    Delivery delivery;
    /// How often the count had been set by hand before it was sent.
    std::uint32_t presets_before = 0;
};

/// The bounds of a right account.
struct Told {
    std::int64_t least_ticks = 0;  ///< Ticks that were told beyond doubt.
    std::int64_t most_ticks = 0;   ///< Ticks that the node counted between its first and its last message.
    /// Ticks that ran back before boots that sent a `saved` count: the booking rules do not see them.
    std::int64_t ran_back_over_starts = 0;
    /// The most that counts set by hand may look like: gains that are possible for the meter.
    std::int64_t set_by_hand = 0;
    /// The first message of a boot arrived after that of a later boot.
    bool starts_cross = false;
};

/// `heard`: in order of arrival, including repeats and late messages.
/// Messages may have waited at the broker during each of the troubles.
[[nodiscard]] Told told_by_counts(const NodeSettings& settings, const MeterSettings& meter,
                                  const std::vector<PlannedTrouble>& troubles,
                                  const std::vector<const Sent*>& heard);
[[nodiscard]] Told told_by_pulses(const std::vector<const Sent*>& heard);

}  // namespace tickledger::simulation
