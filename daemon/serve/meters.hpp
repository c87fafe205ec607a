// What a meter's settings say about its answers.
#pragma once

#include <cstdint>
#include <optional>
#include <string>

#include "tickledger/meter.hpp"

namespace tickledger {

/// The smallest steady leak that the night-flow alarm surely sees, in litres an hour: one tick in each
/// `still_for`. Between two ticks of it the stretch of whole tick-free spans is always shorter than
/// `still_for`; a smaller leak leaves, on some nights, a stretch that is long enough. Nothing where the
/// node speaks less often than once in `still_for`: then every span with a tick may hold a still stretch.
[[nodiscard]] std::optional<double> smallest_visible_leak_l_per_h(const MeterSettings& meter);

}  // namespace tickledger
