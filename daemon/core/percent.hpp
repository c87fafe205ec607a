// Percent codes in request targets: RFC 3986 section 2.
#pragma once

#include <string>
#include <string_view>

#include "tickledger/result.hpp"

namespace tickledger {

/// Percent-encodes everything but the unreserved characters of RFC 3986 section 2.3.
[[nodiscard]] std::string percent_encode(std::string_view text);

/// Fails on a "%" without two hexadecimal digits after it. A "+" is a plus.
[[nodiscard]] Result<std::string> percent_decode(std::string_view text);

}  // namespace tickledger
