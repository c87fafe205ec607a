// Reads a register's digits as people type them.
#pragma once

#include <string>
#include <string_view>

#include "tickledger/result.hpp"

namespace tickledger {

/// Returns a decimal with one point, "1234.567", for the ways that people write it: also "1234,567",
/// "1,234.567", "1.234,567", "1 234.567" and "1'234.567". A unit after a space is kept ("43,613.2 ft3"
/// becomes "43613.2 ft3"). A single point is always the decimal point. Fails, with what to write, if the text
/// is not a number or a comma may be either a decimal comma or a thousands separator ("1,234").
[[nodiscard]] Result<std::string> plain_decimal(std::string_view text);

}  // namespace tickledger
