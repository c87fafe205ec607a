// Exact volumes and flows: a tick stands for a ratio of whole numbers, in litres.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>

#include "tickledger/result.hpp"

namespace tickledger {

/// A ratio of whole numbers in lowest terms; `denominator` > 0.
struct Ratio {
    std::int64_t numerator = 0;
    std::int64_t denominator = 1;

    bool operator==(const Ratio&) const = default;
    [[nodiscard]] double value() const {
        return static_cast<double>(numerator) / static_cast<double>(denominator);
    }
};

/// Reads a volume exactly, in litres: a decimal or a ratio, a space, and one of the units L, m3, gal_us (231
/// in³ = 3.785411784 L), gal_imp (4.54609 L), ft3 (28.316846592 L). Examples: "1 L", "1/3 L", "0.1 gal_us".
///
/// Fails on a sign, an unknown unit, or a ratio that does not fit 64 bits.
///
/// Source of the units: NIST SP 811, from memory; GNU units 2.22 definitions.
[[nodiscard]] Result<Ratio> parse_volume_l(std::string_view text);

/// Like parse_volume_l(), for a pulse value: must be more than 0.
[[nodiscard]] Result<Ratio> parse_pulse_value_l(std::string_view text);

/// Reads a flow exactly, in litres an hour: a number and a volume unit over "h" or "min"
/// ("2.5 m3/h", "30 L/min").
[[nodiscard]] Result<Ratio> parse_flow_l_per_h(std::string_view text);

/// The volume of `ticks` plus `offset_l`, in units of `10^-digits` of `litres_per_unit` litres (1 for L, 1000
/// for m³). The sum is rounded once, half to even. Exact for any 64-bit count; the result saturates at 64
/// bits.
[[nodiscard]] std::int64_t scaled_volume(std::int64_t ticks, Ratio pulse_value_l, Ratio offset_l,
                                         std::int64_t litres_per_unit, int digits);

/// A scaled whole number as a decimal: (1234567, 3) is "1234.567", (-5, 3) is "-0.005".
[[nodiscard]] std::string decimal(std::int64_t scaled, int digits);

/// Digits after the point of every volume that is shown: litres and cubic metres down to the millilitre.
inline constexpr int digits_l = 3;
inline constexpr int digits_m3 = 6;

}  // namespace tickledger
