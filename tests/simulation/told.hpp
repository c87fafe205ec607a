// How much of a node's water its messages allow to be known, worked out from what the node really did.
//
// Between two messages of one start of the node everything is told. Where it started anew in between, its
// messages leave open which count it restored: every count that it may have restored is tried, and told is
// the least that it must have counted whichever it was. No rule of the daemon's stands here.
#pragma once

#include <cstdint>
#include <vector>

#include "simulation/plan.hpp"

namespace tickledger::simulation {

/// A message that a node sent.
struct Sent {
    std::uint32_t node = 0;
    Delivery delivery;
    /// How often its count had been set by hand.
    std::uint32_t presets_before = 0;
};

/// Between what bounds a right account lies.
struct Told {
    std::int64_t least_ticks = 0;  ///< What was told beyond doubt.
    std::int64_t most_ticks = 0;   ///< What the node counted between its first and its last word.
    /// What ran back over starts that told a `saved` count: by the rules that is not seen as water.
    std::int64_t ran_back_over_starts = 0;
    /// What counts that were set by hand may pass for: gains that the meter can have had.
    std::int64_t set_by_hand = 0;
    /// The first word of a start came after that of a later one.
    bool starts_cross = false;
};

/// `heard`: in order of their arrival, repeats and late ones among them.
/// While there was a trouble, messages waited at the broker.
[[nodiscard]] Told told_by_counts(const NodeSettings& settings, const MeterSettings& meter,
                                  const std::vector<PlannedTrouble>& troubles,
                                  const std::vector<const Sent*>& heard);
[[nodiscard]] Told told_by_pulses(const std::vector<const Sent*>& heard);

}  // namespace tickledger::simulation
