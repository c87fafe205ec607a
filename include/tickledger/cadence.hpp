// How often a node sends its readings.
#pragma once

#include <optional>
#include <vector>

#include "tickledger/time.hpp"

namespace tickledger {

/// A cadence as a person would write it: at least one second, rounded to the second. Above ten minutes, or
/// less than five seconds after a full minute, it is rounded to the minute: a node's own clock is no better.
[[nodiscard]] Duration rounded_cadence(Duration cadence);

/// A longer pause is a silence: a message that the cadence promises is missing.
[[nodiscard]] constexpr Duration silence(Duration cadence) {
    return cadence * 3 / 2;
}

/// The cadence that the pauses between a node's readings show, rounded, if the configured one is too short:
/// at least six pauses, of which nine of ten are silences. A node that misses some of its turns does not meet
/// that. `pauses` may be in any order.
[[nodiscard]] std::optional<Duration> longer_cadence(const std::vector<Duration>& pauses,
                                                     Duration configured);

}  // namespace tickledger
