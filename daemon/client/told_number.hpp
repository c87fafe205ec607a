// A register's digits as people type them.
#pragma once

#include <string>
#include <string_view>

#include "tickledger/result.hpp"

namespace tickledger {

/// A decimal with one point, "1234.567", from what people write: "1234,567", "1,234.567", "1.234,567", "1
/// 234.567" and "1'234.567" too. A unit after a space stays ("43,613.2 ft3" is "43613.2 ft3"). Fails with
/// what to write where a comma may be a decimal comma or part a thousands apart ("1,234"), and where it is no
/// number. A single point is always the decimal point.
[[nodiscard]] Result<std::string> plain_decimal(std::string_view text);

}  // namespace tickledger
