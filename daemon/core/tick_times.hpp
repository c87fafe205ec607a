// When each tick was, as near as the entries tell.
#pragma once

#include <span>
#include <vector>

#include "tickledger/entry.hpp"

namespace tickledger {

/// When one tick was: somewhere within its window.
struct TickTime {
    Span window;
    /// The window's middle, or its share of the span where several ticks lie in one.
    Instant at;
    /// No tap was open throughout the span it came in.
    bool is_lone = false;
    /// Something unseen lies between the tick before and this one.
    bool after_gap = false;
};

/// Ticks that can be looked into one by one, and the entries that are too long for it.
struct TickTimes {
    std::vector<TickTime> ticks;
    std::vector<Entry> too_coarse;
};

/// Adjustments are passed over: nobody saw them run.
/// Preconditions: entries of one meter in order of time; pulse_value_l > 0.
[[nodiscard]] TickTimes tick_times(std::span<const Entry> entries, double pulse_value_l);

}  // namespace tickledger
