// Reads the plain lines of the message log quickly.
//
// docs/performance.md has measurements: instructions per message, over whole replays of one meter.
#pragma once

#include <optional>
#include <string_view>

#include "store/recording.hpp"

namespace tickledger {

/// The event of a plain line: a message or a change of the link whose members are texts, whole numbers and
/// flags, none of them twice. Nothing for any other line: parse_line() then reads it as general JSON and says
/// what is wrong with it. If this returns an event, the general way returns the same.
[[nodiscard]] std::optional<Event> scan_line(std::string_view line);

}  // namespace tickledger
