// From a written volume to the whole ticks in it, exactly.
#pragma once

#include <cstdint>
#include <optional>
#include <string_view>

#include "core/decimal.hpp"
#include "tickledger/units.hpp"

namespace tickledger {

/// A decimal text as JSON would write the number, except that zeros in front are allowed. Nothing if the text
/// is not one.
[[nodiscard]] std::optional<Decimal> decimal_in(std::string_view text);

/// The whole pulse values in `number` units. Nothing if there are more than a count holds. Exact: finer
/// digits are rounded down once, at the end. Precondition: `number` is not negative.
[[nodiscard]] std::optional<std::uint64_t> ticks_in(const Decimal& number, Ratio unit_l, Ratio pulse_value_l);

}  // namespace tickledger
