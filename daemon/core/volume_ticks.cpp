#include "core/volume_ticks.hpp"

#include <algorithm>
#include <boost/multiprecision/cpp_int.hpp>
#include <cstdlib>

#include "core/count_limit.hpp"

namespace tickledger {

std::optional<Decimal> decimal_in(std::string_view text) {
    const auto is_digit = [](char c) { return c >= '0' && c <= '9'; };
    const std::size_t point = std::min(text.find('.'), text.size());
    const auto digits_only = [&](std::string_view part) {
        return !part.empty() && std::all_of(part.begin(), part.end(), is_digit);
    };
    if (!digits_only(text.substr(0, point))) return std::nullopt;
    if (point < text.size() && !digits_only(text.substr(point + 1))) return std::nullopt;
    const std::size_t leading = std::min(text.find_first_not_of('0'), point);
    const bool keeps_a_zero = leading == point;
    return decimal_of(text.substr(keeps_a_zero ? point - 1 : leading));
}

std::optional<std::uint64_t> ticks_in(const Decimal& number, Ratio unit_l, Ratio pulse_value_l) {
    using boost::multiprecision::cpp_int;
    constexpr int exponent_max = 40;
    if (number.digits == 0 || number.exponent < -exponent_max - 40) return 0;
    if (number.exponent > exponent_max) return std::nullopt;
    const cpp_int power = pow(cpp_int{10}, static_cast<unsigned>(std::abs(number.exponent)));
    const cpp_int up = number.exponent > 0 ? power : cpp_int{1};
    const cpp_int down = number.exponent < 0 ? power : cpp_int{1};
    const cpp_int ticks = cpp_int{number.digits} * up * unit_l.numerator * pulse_value_l.denominator /
                          (down * unit_l.denominator * pulse_value_l.numerator);
    if (ticks >= count_limit(0)) return std::nullopt;
    return static_cast<std::uint64_t>(ticks);
}

}  // namespace tickledger
