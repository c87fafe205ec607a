// A leak that runs beneath everything else: the water that never stops.
#pragma once

#include <vector>

#include "core/tick_times.hpp"
#include "tickledger/draw.hpp"

namespace tickledger {

/// Takes the ticks of a leak out of `ticks` and returns them as draws, one for each stretch of at most a day
/// between two cuts.
///
/// While a leak runs, no pause between ticks is longer than the leak allows. So the longest time that two
/// litres (at least four ticks) took within half a day before and after gives the leak's pace. It counts as a
/// leak from 2.5 L/h on, because no house is that busy at night. Ticks are taken out one by one at that pace,
/// both between uses and within them.
///
/// Preconditions: ticks in order of time; pulse_value_l > 0; cuts in order of time.
[[nodiscard]] std::vector<Draw> take_out_leak(std::vector<TickTime>& ticks, double pulse_value_l,
                                              std::span<const Instant> cuts);

}  // namespace tickledger
