// Reads the plain lines of the message log quickly.
//
// Measured over whole replays of one meter, in instructions a message: see docs/performance.md.
#pragma once

#include <optional>
#include <string_view>

#include "store/recording.hpp"

namespace tickledger {

/// The event of a plain line: a message or a change of the link whose members are texts, whole numbers and
/// flags, none twice. Nothing where the line is anything else; parse_line() then reads it as general JSON and
/// says what is wrong with it. Where this gives an event, the general way gives the same.
[[nodiscard]] std::optional<Event> scan_line(std::string_view line);

}  // namespace tickledger
