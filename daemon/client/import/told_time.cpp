#include "client/import/told_time.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <string>
#include <vector>

#include "client/split.hpp"
#include "core/digit.hpp"

namespace tickledger {

namespace {

std::string_view trimmed(std::string_view text) {
    const auto from = text.find_first_not_of(" \t");
    if (from == std::string_view::npos) return {};
    return text.substr(from, text.find_last_not_of(" \t") - from + 1);
}

std::optional<int> number_in(std::string_view text) {
    int number = 0;
    const char* const end = text.data() + text.size();
    if (text.empty() || !std::ranges::all_of(text, is_digit)) return std::nullopt;
    const auto read = std::from_chars(text.data(), end, number);
    return read.ec == std::errc{} && read.ptr == end ? std::optional(number) : std::nullopt;
}

std::optional<date::year_month_day> date_of(int year, int month, int day) {
    if (month < 1 || month > 12 || day < 1 || day > 31) return std::nullopt;
    const date::year_month_day found{date::year{year}, date::month{static_cast<unsigned>(month)},
                                     date::day{static_cast<unsigned>(day)}};
    return found.ok() ? std::optional(found) : std::nullopt;
}

std::optional<date::year_month_day> read_date(std::string_view text, DateOrder order) {
    const auto separator = std::ranges::find_if(text, [](char c) { return !is_digit(c); });
    if (separator == text.end() || (*separator != '-' && *separator != '.' && *separator != '/'))
        return std::nullopt;
    const auto parts = split(text, *separator);
    std::array<int, 3> numbers{0, 0, 1};
    if (parts.size() < 2 || parts.size() > 3) return std::nullopt;
    for (std::size_t i = 0; i < parts.size(); ++i) {
        const auto number = number_in(parts[i]);
        if (!number) return std::nullopt;
        numbers[i] = *number;
    }
    if (parts[0].size() == 4) return date_of(numbers[0], numbers[1], numbers[2]);
    if (parts.size() != 3 || parts[2].size() != 4) return std::nullopt;
    if (*separator != '/') order = DateOrder::day_first;
    if (order == DateOrder::unknown) return std::nullopt;
    return order == DateOrder::day_first ? date_of(numbers[2], numbers[1], numbers[0])
                                         : date_of(numbers[2], numbers[0], numbers[1]);
}

/// "8:15", "08:15:30", "08:15:30.5", "8:15 pm".
std::optional<Duration> read_clock(std::string_view text) {
    std::optional<bool> is_afternoon;
    for (const auto& [suffix, afternoon] :
         {std::pair{"am", false}, {"pm", true}, {"AM", false}, {"PM", true}}) {
        if (!text.ends_with(suffix)) continue;
        is_afternoon = afternoon;
        text = trimmed(text.substr(0, text.size() - 2));
    }
    const auto point = text.find('.');
    std::string_view fraction;
    if (point != std::string_view::npos) {
        fraction = text.substr(point + 1);
        text = text.substr(0, point);
    }
    const auto parts = split(text, ':');
    if (parts.size() < 2 || parts.size() > 3 || (!fraction.empty() && parts.size() != 3)) return std::nullopt;
    std::array<int, 3> numbers{0, 0, 0};
    for (std::size_t i = 0; i < parts.size(); ++i) {
        const auto number = parts[i].size() <= 2 ? number_in(parts[i]) : std::nullopt;
        if (!number) return std::nullopt;
        numbers[i] = *number;
    }
    if (is_afternoon) {
        if (numbers[0] < 1 || numbers[0] > 12) return std::nullopt;
        numbers[0] = numbers[0] % 12 + (*is_afternoon ? 12 : 0);
    }
    const bool is_end_of_day = numbers[0] == 24 && numbers[1] == 0 && numbers[2] == 0;
    if ((numbers[0] > 23 && !is_end_of_day) || numbers[1] > 59 || numbers[2] > 59) return std::nullopt;
    std::int64_t fraction_us = 0;
    std::int64_t unit_us = 100'000;
    for (const char c : fraction) {
        if (!is_digit(c)) return std::nullopt;
        fraction_us += (c - '0') * unit_us;
        unit_us /= 10;
    }
    return std::chrono::hours{numbers[0]} + std::chrono::minutes{numbers[1]} +
           std::chrono::seconds{numbers[2]} + Duration{fraction_us};
}

std::optional<Instant> since_1970(std::string_view text) {
    if (!std::ranges::all_of(text, is_digit) || (text.size() != 10 && text.size() != 13)) return std::nullopt;
    std::int64_t number = 0;
    std::from_chars(text.data(), text.data() + text.size(), number);
    return instant_of(number * (text.size() == 10 ? 1'000'000 : 1'000));
}

/// The first two numbers of a date with slashes.
std::optional<std::pair<int, int>> slashed(std::string_view text) {
    const auto parts = split(trimmed(text), '/');
    if (parts.size() != 3 || parts[0].size() > 2 || parts[1].size() > 2) return std::nullopt;
    const auto first = number_in(parts[0]);
    const auto second = number_in(parts[1]);
    if (!first || !second) return std::nullopt;
    return std::pair{*first, *second};
}

}  // namespace

std::optional<ToldTime> read_time(std::string_view text, DateOrder order) {
    text = trimmed(text);
    if (text.empty()) return std::nullopt;
    if (const auto instant = since_1970(text)) return ToldTime{.instant = instant, .day = {}};
    if (const auto instant = parse_rfc3339(text)) return ToldTime{.instant = *instant, .day = {}};
    const auto gap = text.find_first_of(" T");
    const auto day = read_date(text.substr(0, gap), order);
    if (!day) return std::nullopt;
    ToldTime told{.instant = std::nullopt, .day = *day};
    if (gap == std::string_view::npos) return told;
    const auto clock = read_clock(trimmed(text.substr(gap + 1)));
    if (!clock) return std::nullopt;
    told.time_of_day = *clock;
    if (told.time_of_day == std::chrono::hours{24}) {
        told.day = date::sys_days{told.day} + date::days{1};
        told.time_of_day = Duration{0};
    }
    return told;
}

bool needs_date_order(std::string_view text) {
    return slashed(text).has_value();
}

DateOrder date_order_of(std::string_view text) {
    const auto numbers = slashed(text);
    if (!numbers) return DateOrder::unknown;
    if (numbers->first > 12) return DateOrder::day_first;
    return numbers->second > 12 ? DateOrder::month_first : DateOrder::unknown;
}

PlacedTime place(const ToldTime& told, const CivilZone& zone) {
    if (told.instant) return {*told.instant, *told.instant, WallTime::once};
    PlacedTime placed;
    placed.at = placed.second_at = zone.at(told.day, told.time_of_day);
    const auto shown = [&](Instant t) { return zone.format(t).substr(0, 19); };
    // The wall clock that is asked for, as the zone would write it.
    const Instant as_utc = Instant{date::sys_days{told.day}} + told.time_of_day;
    const std::string wanted = format_utc(as_utc).substr(0, 19);
    if (shown(placed.at) != wanted) {
        placed.kind = WallTime::never;
        return placed;
    }
    // Clocks are set back by an hour nearly everywhere, by half an hour or two somewhere.
    for (const auto shift : {std::chrono::minutes{60}, std::chrono::minutes{30}, std::chrono::minutes{120}}) {
        if (shown(placed.at + shift) != wanted) continue;
        placed.second_at = placed.at + shift;
        placed.kind = WallTime::twice;
        return placed;
    }
    return placed;
}

}  // namespace tickledger
