// A number as a message wrote it: decimal digits and a power of ten, without rounding to binary fractions.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

#include "tickledger/time.hpp"

namespace tickledger {

/// (negative ? -1 : 1) * digits * 10^exponent.
struct Decimal {
    bool negative = false;
    std::uint64_t digits = 0;
    int exponent = 0;
    /// More digits were written than fit (nineteen always do), and those cut off were not all 0.
    bool cut = false;
};

[[nodiscard]] Decimal decimal_of(std::uint64_t value);
[[nodiscard]] Decimal decimal_of(std::int64_t value);
/// The shortest decimal that reads back as this double, because that is what its sender meant: 1234.567 for
/// the double nearest to it. Precondition: finite.
[[nodiscard]] Decimal decimal_of(double value);
/// Reads a number in the grammar of JSON (RFC 8259 section 6). Precondition: it is one.
[[nodiscard]] Decimal decimal_of(std::string_view json_number);

/// The value, if it is whole, not negative and fits.
[[nodiscard]] std::optional<std::uint64_t> whole_number(const Decimal& number);
[[nodiscard]] bool is_negative(const Decimal& number);
[[nodiscard]] bool is_whole(const Decimal& number);

/// Seconds to the nearest microsecond, halves away from zero. Values beyond the years 1 and 9999, counted
/// from 1970, become the ends of that range. No clock shows such a time, and booking will not believe it.
[[nodiscard]] Duration seconds_of(const Decimal& number);
inline constexpr Duration seconds_min{-62'135'596'800'000'000};
inline constexpr Duration seconds_max{253'402'300'799'999'999};

/// One text for equal numbers: 7, 7.0 and 70e-1 are "7".
[[nodiscard]] std::string canonical_text(const Decimal& number);

}  // namespace tickledger
