#include "core/decimal.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <limits>

#include "core/digit.hpp"

namespace tickledger {

namespace {

/// Exponents are limited to this, so that sums of them do not overflow. No double reaches it.
constexpr int exponent_max = 100'000;

/// Appends a digit, or counts it if it no longer fits. Then no later digit fits either (`full`).
void add_digit(Decimal& number, char digit, bool& full) {
    const auto value = static_cast<std::uint64_t>(digit - '0');
    if (!full && number.digits <= (std::numeric_limits<std::uint64_t>::max() - value) / 10) {
        number.digits = number.digits * 10 + value;
        return;
    }
    full = true;
    ++number.exponent;
    if (digit != '0') number.cut = true;
}

[[nodiscard]] int exponent_in(std::string_view text) {
    const bool negative = text.starts_with('-');
    if (negative || text.starts_with('+')) text.remove_prefix(1);
    int exponent = 0;
    const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), exponent);
    if (error == std::errc::result_out_of_range || exponent > exponent_max) exponent = exponent_max;
    return negative ? -exponent : exponent;
}

/// Without trailing zeros in its digits; zero has the exponent 0.
[[nodiscard]] Decimal normal(Decimal number) {
    if (number.digits == 0) return Decimal{false, 0, 0, number.cut};
    while (number.digits % 10 == 0) {
        number.digits /= 10;
        ++number.exponent;
    }
    return number;
}

}  // namespace

Decimal decimal_of(std::uint64_t value) {
    return {false, value, 0, false};
}

Decimal decimal_of(std::int64_t value) {
    const auto bits = static_cast<std::uint64_t>(value);
    return {value < 0, value < 0 ? 0 - bits : bits, 0, false};
}

Decimal decimal_of(double value) {
    std::array<char, 32> text{};
    const auto [end, error] = std::to_chars(text.data(), text.data() + text.size(), value);
    return decimal_of(std::string_view(text.data(), static_cast<std::size_t>(end - text.data())));
}

Decimal decimal_of(std::string_view json_number) {
    Decimal number;
    bool after_point = false;
    bool full = false;
    int written_exponent = 0;
    for (std::size_t i = 0; i < json_number.size(); ++i) {
        const char c = json_number[i];
        if (is_digit(c)) {
            add_digit(number, c, full);
            if (after_point) --number.exponent;
        } else if (c == '.') {
            after_point = true;
        } else if (c == '-') {
            number.negative = true;
        } else {
            written_exponent = exponent_in(json_number.substr(i + 1));
            break;
        }
    }
    number.exponent = std::clamp(number.exponent + written_exponent, -exponent_max, exponent_max);
    return number;
}

bool is_negative(const Decimal& number) {
    return number.negative && number.digits != 0;
}

bool is_whole(const Decimal& number) {
    // If digits before the point were cut, the number is too large, but it is not a fraction.
    const bool cut_behind_point = number.cut && number.exponent <= 0;
    return normal(number).exponent >= 0 && !cut_behind_point;
}

std::optional<std::uint64_t> whole_number(const Decimal& number) {
    if (number.cut || is_negative(number) || !is_whole(number)) return std::nullopt;
    Decimal rest = normal(number);
    for (; rest.exponent > 0; --rest.exponent) {
        if (rest.digits > std::numeric_limits<std::uint64_t>::max() / 10) return std::nullopt;
        rest.digits *= 10;
    }
    return rest.digits;
}

Duration seconds_of(const Decimal& number) {
    const auto limit =
        static_cast<std::uint64_t>(number.negative ? -seconds_min.count() : seconds_max.count());
    std::uint64_t magnitude = number.digits;
    bool round_up = false;
    int shift = number.exponent + 6;
    for (; shift < 0 && magnitude > 0; ++shift) {
        round_up = magnitude % 10 >= 5;
        magnitude /= 10;
    }
    // If digits were dropped before the last step, less than a half is left.
    if (shift < 0) round_up = false;
    for (; shift > 0 && magnitude > 0 && magnitude <= limit; --shift) {
        if (magnitude > limit / 10)
            magnitude = limit;
        else
            magnitude *= 10;
    }
    magnitude = std::min(magnitude + (round_up ? 1U : 0U), limit);
    const auto count = static_cast<std::int64_t>(magnitude);
    return Duration{number.negative ? -count : count};
}

std::string canonical_text(const Decimal& number) {
    const Decimal shown = normal(number);
    std::string text = shown.negative && shown.digits != 0 ? "-" : "";
    if (const auto whole = whole_number(Decimal{false, shown.digits, shown.exponent, shown.cut})) {
        return text + std::to_string(*whole);
    }
    return text + std::to_string(shown.digits) + "e" + std::to_string(shown.exponent);
}

}  // namespace tickledger
