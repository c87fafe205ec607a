// A leak that runs beneath everything else: the part of the water that never stops.
#pragma once

#include <vector>

#include "core/tick_times.hpp"
#include "tickledger/draw.hpp"

namespace tickledger {

/// Takes the ticks of a leak out of `ticks` and returns them as draws, one for each stretch of at most a day.
///
/// While a leak runs, no pause between ticks is longer than the leak leaves it: the longest time that two
/// litres (at least four ticks) took within half a day before and after is the leak's pace. It is a leak
/// from 2.5 L/h on: no house's night is that busy. At that pace one tick after another is taken out, be it
/// between the uses or in one. Preconditions: ticks in order of time; pulse_value_l > 0.
[[nodiscard]] std::vector<Draw> take_out_leak(std::vector<TickTime>& ticks, double pulse_value_l);

}  // namespace tickledger
