// From a volume that somebody wrote down to the whole ticks that it holds, exactly.
#pragma once

#include <cstdint>
#include <optional>
#include <string_view>

#include "core/decimal.hpp"
#include "tickledger/units.hpp"

namespace tickledger {

/// A decimal text as JSON would write the number, but for zeros in front; nothing where it is none.
[[nodiscard]] std::optional<Decimal> decimal_in(std::string_view text);

/// Whole pulse values in `number` units; nothing where there are more than a count holds. Exact: finer digits
/// are floored once, at the end. Precondition: `number` is not negative.
[[nodiscard]] std::optional<std::uint64_t> ticks_in(const Decimal& number, Ratio unit_l, Ratio pulse_value_l);

}  // namespace tickledger
