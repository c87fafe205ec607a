#include "tickledger/units.hpp"

#include <fmt/format.h>

#include <array>
#include <boost/multiprecision/cpp_int.hpp>
#include <limits>
#include <optional>
#include "core/rounding.hpp"

namespace tickledger {

namespace {

__extension__ using SignedWide = __int128;
using Wider = boost::multiprecision::int512_t;  // Fixed in size: no allocation.

constexpr std::int64_t int64_max = std::numeric_limits<std::int64_t>::max();

struct VolumeUnit {
    std::string_view name;
    Ratio litres;
};

// Source: NIST SP 811, from memory (1 in = 2.54 cm, so 231 in³ and 1728 in³ are exact; the imperial gallon is
// 4.54609 L by definition); GNU units 2.22 agrees.
constexpr std::array<VolumeUnit, 5> volume_units{{
    {"L", {1, 1}},
    {"m3", {1000, 1}},
    {"gal_us", {3'785'411'784, 1'000'000'000}},
    {"gal_imp", {454'609, 100'000}},
    {"ft3", {28'316'846'592, 1'000'000'000}},
}};

constexpr std::string_view volume_unit_names = "L, m3, gal_us, gal_imp, ft3";

/// Takes digits from the left of `text`, at most 18, so that nothing overflows before the ratio is reduced.
std::optional<std::int64_t> take_whole_number(std::string_view& text) {
    std::int64_t value = 0;
    std::size_t length = 0;
    for (; length < text.size() && text[length] >= '0' && text[length] <= '9'; ++length) {
        if (length == 18) return std::nullopt;
        value = value * 10 + (text[length] - '0');
    }
    if (length == 0) return std::nullopt;
    text.remove_prefix(length);
    return value;
}

constexpr std::int64_t power_of_ten(int exponent) {
    std::int64_t power = 1;
    for (int i = 0; i < exponent; ++i)
        power *= 10;
    return power;
}

struct WideRatio {
    SignedWide numerator = 0;
    SignedWide denominator = 1;
};

/// Takes "12", "0.25" or "1/3" from the left of `text`.
std::optional<WideRatio> take_number(std::string_view& text) {
    const std::optional<std::int64_t> whole = take_whole_number(text);
    if (!whole) return std::nullopt;
    if (text.starts_with('/')) {
        text.remove_prefix(1);
        const std::optional<std::int64_t> denominator = take_whole_number(text);
        if (!denominator || *denominator == 0) return std::nullopt;
        return WideRatio{*whole, *denominator};
    }
    if (!text.starts_with('.')) return WideRatio{*whole, 1};
    text.remove_prefix(1);
    const std::size_t before = text.size();
    const std::optional<std::int64_t> fraction = take_whole_number(text);
    if (!fraction) return std::nullopt;
    const std::int64_t scale = power_of_ten(static_cast<int>(before - text.size()));
    return WideRatio{SignedWide{*whole} * scale + *fraction, scale};
}

SignedWide greatest_common_divisor(SignedWide a, SignedWide b) {
    while (b != 0) {
        const SignedWide rest = a % b;
        a = b;
        b = rest;
    }
    return a;
}

WideRatio in_lowest_terms(WideRatio ratio) {
    const SignedWide divisor = greatest_common_divisor(ratio.numerator, ratio.denominator);
    return {ratio.numerator / divisor, ratio.denominator / divisor};
}

/// The product in lowest terms, if it fits 64 bits. Divides crosswise first, so that nothing overflows on the
/// way.
std::optional<Ratio> product(WideRatio a, WideRatio b) {
    a = in_lowest_terms(a);
    b = in_lowest_terms(b);
    const WideRatio first = in_lowest_terms({a.numerator, b.denominator});
    const WideRatio second = in_lowest_terms({b.numerator, a.denominator});
    SignedWide numerator = 0;
    SignedWide denominator = 0;
    if (__builtin_mul_overflow(first.numerator, second.numerator, &numerator) ||
        __builtin_mul_overflow(first.denominator, second.denominator, &denominator) ||
        numerator > int64_max || denominator > int64_max) {
        return std::nullopt;
    }
    return Ratio{static_cast<std::int64_t>(numerator), static_cast<std::int64_t>(denominator)};
}

/// A number and a unit, times `factor` for units over a time. `what` and `example` are for the error.
Result<Ratio> parse_quantity(std::string_view text, std::string_view unit_suffix, std::int64_t factor,
                             std::string_view what, std::string_view example) {
    const auto refuse = [&](const std::string& why) {
        return fail(fmt::format("\"{}\" is not a {}: {}. Write it like \"{}\".", text.substr(0, 64), what,
                                why, example));
    };
    std::string_view rest = text;
    if (rest.starts_with('-') || rest.starts_with('+')) return refuse("it may not have a sign");
    const std::optional<WideRatio> number = take_number(rest);
    if (!number) {
        return refuse("it does not begin with a decimal or a ratio of whole numbers of at most 18 digits");
    }
    while (rest.starts_with(' '))
        rest.remove_prefix(1);
    if (!rest.ends_with(unit_suffix)) {
        return refuse(fmt::format("its unit is not one of {} over h or min", volume_unit_names));
    }
    rest.remove_suffix(unit_suffix.size());
    for (const VolumeUnit& unit : volume_units) {
        if (unit.name != rest) continue;
        const auto whole =
            product(*number, {SignedWide{unit.litres.numerator} * factor, unit.litres.denominator});
        if (!whole) return refuse("it has too many digits to be kept exactly");
        return *whole;
    }
    return refuse(rest.empty() ? fmt::format("it has no unit; the units are {}", volume_unit_names)
                               : fmt::format("its unit \"{}\" is not one of {}", rest.substr(0, 16),
                                             volume_unit_names));
}

/// a·b·c. False if it does not fit 128 bits.
bool multiply(SignedWide a, SignedWide b, SignedWide c, SignedWide& result) {
    SignedWide first = 0;
    return !__builtin_mul_overflow(a, b, &first) && !__builtin_mul_overflow(first, c, &result);
}

}  // namespace

Result<Ratio> parse_volume_l(std::string_view text) {
    return parse_quantity(text, "", 1, "volume", "0.5 m3");
}

Result<Ratio> parse_pulse_value_l(std::string_view text) {
    Result<Ratio> volume_l = parse_quantity(text, "", 1, "pulse value", "1 L");
    if (volume_l && volume_l->numerator == 0) {
        return fail(
            fmt::format("\"{}\" is not a pulse value: it must be greater than 0.", text.substr(0, 64)));
    }
    return volume_l;
}

Result<Ratio> parse_flow_l_per_h(std::string_view text) {
    const bool per_minute = text.ends_with("/min");
    return parse_quantity(text, per_minute ? "/min" : "/h", per_minute ? 60 : 1, "flow", "2.5 m3/h");
}

std::int64_t scaled_volume(std::int64_t ticks, Ratio pulse_value_l, Ratio offset_l,
                           std::int64_t litres_per_unit, int digits) {
    const std::int64_t scale = power_of_ten(digits);
    // (ticks · n/d + on/od) · scale / litres_per_unit over one denominator. It usually fits 128 bits.
    SignedWide ticks_part = 0;
    SignedWide offset_part = 0;
    SignedWide numerator = 0;
    SignedWide denominator = 0;
    if (multiply(SignedWide{ticks} * pulse_value_l.numerator, offset_l.denominator, scale, ticks_part) &&
        multiply(SignedWide{offset_l.numerator} * pulse_value_l.denominator, scale, 1, offset_part) &&
        !__builtin_add_overflow(ticks_part, offset_part, &numerator) &&
        multiply(pulse_value_l.denominator, offset_l.denominator, litres_per_unit, denominator)) {
        return rounded(numerator, denominator);
    }
    const Wider wide_numerator = (Wider{ticks} * pulse_value_l.numerator * offset_l.denominator +
                                  Wider{offset_l.numerator} * pulse_value_l.denominator) *
                                 scale;
    const Wider wide_denominator = Wider{pulse_value_l.denominator} * offset_l.denominator * litres_per_unit;
    return rounded(wide_numerator, wide_denominator);
}

std::string decimal(std::int64_t scaled, int digits) {
    const bool negative = scaled < 0;
    const std::uint64_t magnitude =
        negative ? 0 - static_cast<std::uint64_t>(scaled) : static_cast<std::uint64_t>(scaled);
    const auto scale = static_cast<std::uint64_t>(power_of_ten(digits));
    std::string text = negative ? "-" : "";
    text += std::string_view(fmt::format_int(magnitude / scale).c_str());
    if (digits == 0) return text;
    const fmt::format_int fraction(magnitude % scale);
    text += '.';
    text.append(static_cast<std::size_t>(digits) - fraction.size(), '0')
        .append(fraction.data(), fraction.size());
    return text;
}

}  // namespace tickledger
