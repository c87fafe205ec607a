#include "tickledger/words.hpp"

#include <fmt/format.h>

#include <array>
#include <cstdlib>

namespace tickledger {

namespace {

using namespace std::chrono;

constexpr std::size_t date_length = 10;
constexpr std::size_t minute_length = 16;

std::string minute(Instant t, const CivilZone& zone) {
    std::string text = zone.format(t).substr(0, minute_length);
    text[date_length] = ' ';
    return text;
}

/// Clocks are set back by an hour nearly everywhere, and by half an hour on Lord Howe Island.
bool comes_twice(Instant t, const std::string& told, const CivilZone& zone) {
    for (const minutes shift : {-60min, -30min, 30min, 60min}) {
        if (minute(t + shift, zone) == told) return true;
    }
    return false;
}

std::string counted(std::int64_t number, std::string_view unit) {
    return fmt::format("{} {}{}", number, unit, number == 1 ? "" : "s");
}

}  // namespace

std::string in_words(Instant t, const CivilZone& zone) {
    const Instant begun = floor<minutes>(t);
    const std::string told = minute(begun, zone);
    if (!comes_twice(begun, told, zone)) return told;
    const std::string whole = zone.format(begun);
    return told + whole.substr(whole.size() - 6);
}

std::string in_words(Span span, const CivilZone& zone) {
    const std::string from = in_words(span.from, zone);
    const std::string to = in_words(span.to, zone);
    if (from == to) return "at " + from;
    const bool is_one_day = from.compare(0, date_length, to, 0, date_length) == 0;
    return fmt::format("between {} and {}", from, is_one_day ? to.substr(date_length + 1) : to);
}

std::string in_words(Duration length) {
    struct Unit {
        seconds length;
        std::string_view name;
    };
    constexpr std::array units{Unit{days{1}, "day"}, Unit{hours{1}, "hour"}, Unit{minutes{1}, "minute"},
                               Unit{seconds{1}, "second"}};
    const seconds whole = floor<seconds>(length);
    std::size_t first = whole < days{2} ? 1 : 0;
    while (first + 1 < units.size() && whole < units[first].length)
        ++first;
    const auto number = whole / units[first].length;
    if (number <= 0) return "less than a second";
    std::string words = counted(number, units[first].name);
    if (first + 1 == units.size()) return words;
    const auto rest = whole % units[first].length / units[first + 1].length;
    if (rest > 0) words += ' ' + counted(rest, units[first + 1].name);
    return words;
}

}  // namespace tickledger
