// When each tick was, as near as the entries show.
#pragma once

#include <span>
#include <vector>

#include "tickledger/entry.hpp"

namespace tickledger {

/// When one tick was: somewhere within its window.
struct TickTime {
    Span window;
    /// The window's middle. If several ticks share a window, the middle of this one's part.
    Instant at;
    /// The span it came in has too few ticks for a tap that was open throughout.
    bool is_lone = false;
    /// Something was unseen between the tick before and this one.
    bool after_gap = false;
};

/// Ticks that can be examined one by one, and the entries that are too long for that.
struct TickTimes {
    std::vector<TickTime> ticks;
    std::vector<Entry> too_coarse;
};

/// The stretch between the nearest cuts before and after a moment. A cut belongs to the stretch that it
/// begins.
[[nodiscard]] Span between_cuts(Instant at, std::span<const Instant> cuts);

/// Passes over adjustments, because nobody saw them run.
///
/// Preconditions: entries of one meter in order of time; pulse_value_l > 0.
[[nodiscard]] TickTimes tick_times(std::span<const Entry> entries, double pulse_value_l);

}  // namespace tickledger
