// The fast way through our own log: reads exactly the lines that to_line() writes.
#pragma once

#include <optional>
#include <string_view>

#include "store/recording.hpp"

namespace tickledger {

/// The event of a line in the very form of to_line(), or nothing where the line differs from it in any way
/// (other order of keys, other spacing, other escapes, base64): parse_line() then reads it as general JSON.
/// Where it gives an event, the general way gives the same.
[[nodiscard]] std::optional<Event> scan_line(std::string_view line);

}  // namespace tickledger
