#include "client/told_number.hpp"

#include <fmt/format.h>

#include <algorithm>

#include "client/split.hpp"
#include "core/digit.hpp"

namespace tickledger {

namespace {

/// True for one to three digits, followed by groups of three.
bool is_grouped(std::string_view text, char separator) {
    const auto parts = split(text, separator);
    if (parts.size() < 2 || parts.front().empty() || parts.front().size() > 3) return false;
    const auto all_digits = [](std::string_view part) { return std::ranges::all_of(part, is_digit); };
    return all_digits(parts.front()) && std::all_of(parts.begin() + 1, parts.end(), [&](auto part) {
               return part.size() == 3 && all_digits(part);
           });
}

std::string without(std::string_view text, char separator) {
    std::string rest(text);
    std::erase(rest, separator);
    return rest;
}

tl::unexpected<Error> no_number(std::string_view text) {
    return fail(
        fmt::format("\"{}\" is not a register reading. Write its digits with a decimal point, as in "
                    "1234.567 (cubic metres), or with a unit, as in \"43613.2 ft3\".",
                    text));
}

/// Replaces the separator by a point, and checks for digits with at most one point between them.
Result<std::string> with_point(std::string_view number, char separator, std::string_view told) {
    std::string plain(number);
    std::ranges::replace(plain, separator, '.');
    const bool fits = std::ranges::all_of(plain, [](char c) { return is_digit(c) || c == '.'; }) &&
                      std::ranges::count(plain, '.') <= 1 && std::ranges::any_of(plain, is_digit) &&
                      plain.front() != '.' && plain.back() != '.';
    if (!fits) return no_number(told);
    return plain;
}

Result<std::string> plain_number(std::string number, std::string_view told) {
    // Spaces and apostrophes only ever separate thousands.
    for (const char separator : {' ', '\''}) {
        const auto point = number.find_first_of(".,");
        const std::string whole = number.substr(0, point);
        if (whole.find(separator) == std::string::npos) continue;
        if (!is_grouped(whole, separator)) return no_number(told);
        number = without(whole, separator) + (point == std::string::npos ? "" : number.substr(point));
    }
    const auto point = number.rfind('.');
    const auto comma = number.rfind(',');
    if (comma == std::string::npos) return with_point(number, '.', told);
    if (point == std::string::npos) {
        if (std::ranges::count(number, ',') > 1)
            return is_grouped(number, ',') ? Result<std::string>(without(number, ',')) : no_number(told);
        if (is_grouped(number, ',')) {
            return fail(fmt::format("\"{}\" can be {} or {}. Write a decimal point and no comma.", told,
                                    without(number, ','), without(number, ',').insert(comma, ".")));
        }
        return with_point(number, ',', told);
    }
    // Both occur: the later one is the decimal sign, the other separates thousands.
    const char decimal = point > comma ? '.' : ',';
    const char grouping = point > comma ? ',' : '.';
    const std::size_t at = std::max(point, comma);
    if (!is_grouped(std::string_view(number).substr(0, at), grouping)) return no_number(told);
    return with_point(without(number.substr(0, at), grouping) + number.substr(at), decimal, told);
}

}  // namespace

Result<std::string> plain_decimal(std::string_view text) {
    const auto unit =
        std::ranges::find_if(text, [](char c) { return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z'); });
    if (unit == text.end()) return plain_number(std::string(text), text);
    const auto at = static_cast<std::size_t>(unit - text.begin());
    const auto end = text.substr(0, at).find_last_not_of(' ');
    if (end == std::string_view::npos) return no_number(text);
    const auto number = plain_number(std::string(text.substr(0, end + 1)), text);
    if (!number) return number;
    return *number + ' ' + std::string(text.substr(at));
}

}  // namespace tickledger
