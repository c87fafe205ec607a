#include "client/ranges.hpp"

#include <date/date.h>
#include <fmt/format.h>

#include "tickledger/civil.hpp"
#include "tickledger/time.hpp"

namespace tickledger {

namespace {

std::string text_of(date::sys_days day) {
    return date::format("%F", day);
}

/// A hundred years, as for the daemon: a longer length is a typing mistake, and might overflow.
constexpr Duration longest = std::chrono::hours{24 * 36'500};
/// The daemon shelves no alarm for longer.
constexpr Duration shelved_longest = std::chrono::hours{24 * 31};

/// A duration, which may also be in weeks.
Result<Duration> length_in(const std::string& text) {
    auto length = parse_duration(text);
    if (text.size() >= 2 && text.size() <= 6 && text.ends_with('w')) {
        length = parse_duration(text.substr(0, text.size() - 1) + "d");
        if (length) *length *= 7;
    }
    if (length && *length > longest) return fail("That is more than 36500 days.");
    return length;
}

bool counts_days(const std::string& length) {
    return length.ends_with('d') || length.ends_with('w');
}

}  // namespace

std::string point_in(const std::string& text) {
    if (text == "yesterday") return "today-1d";
    if (text.empty() || text.front() < '0' || text.front() > '9' ||
        text.find_first_of("-:") != std::string::npos || !length_in(text))
        return text;
    return (counts_days(text) ? "today-" : "now-") + text;
}

Result<std::string> monday_before(const std::string& date) {
    const auto told = civil_date_in(std::string_view(date).substr(0, 10));
    if (!told)
        return fail(fmt::format("The daemon says that a row begins at \"{}\", which is not a time.", date));
    return text_of(monday_of(*told));
}

Result<AskedRange> range_of_day(const std::string& day) {
    if (day == "today") return AskedRange{"today", "today+1d", "hour"};
    if (day == "yesterday") return AskedRange{"today-1d", "today", "hour"};
    const auto date = civil_date_in(day);
    if (!date)
        return fail(fmt::format("--day is \"{}\". Give today, yesterday or a date like 2026-03-01.", day));
    const date::sys_days begin{*date};
    return AskedRange{text_of(begin), text_of(begin + date::days{1}), "hour"};
}

Result<AskedRange> range_of_month(const std::string& month) {
    const auto first = civil_date_in(month + "-01");
    if (!first) return fail(fmt::format("--month is \"{}\". Give a month like 2026-03.", month));
    return AskedRange{text_of(*first), text_of(*first + date::months{1}), "day"};
}

Result<AskedRange> range_of_last(const std::string& length) {
    const auto duration = length_in(length);
    if (!duration || *duration <= Duration::zero()) {
        return fail(fmt::format(
            "--last is \"{}\". Give a whole number and w, d, h or min, as in 7d, and at most 36500d.",
            length));
    }
    if (counts_days(length)) {
        const auto days = std::chrono::floor<date::days>(*duration);
        return AskedRange{fmt::format("today-{}d", days.count() - 1), "today+1d", "day"};
    }
    return AskedRange{"now-" + length, "now", *duration > std::chrono::hours{6} ? "hour" : "interval"};
}

Result<std::string> iso_length(const std::string& length) {
    if (length.starts_with('P')) return length;
    const auto duration = length_in(length);
    if (!duration || *duration < std::chrono::seconds{1})
        return fail(
            fmt::format("--for is \"{}\". Give a whole number and w, d, h or min, as in 2d.", length));
    if (*duration > shelved_longest)
        return fail(
            fmt::format("--for is \"{}\", but an alarm is shelved for 31 days at most, so that it is not "
                        "forgotten.",
                        length));
    return fmt::format("PT{}S", std::chrono::floor<std::chrono::seconds>(*duration).count());
}

Result<std::string> end_of(const std::string& length, const std::string& now) {
    const auto duration = length.starts_with('P') ? parse_iso_duration(length) : length_in(length);
    const auto from = parse_rfc3339(now);
    if (!from) return tl::unexpected(from.error());
    if (!duration || *duration <= Duration{0} || *duration > longest)
        return fail(
            fmt::format("--for is \"{}\". Give a whole number and w, d, h or min, as in 14d.", length));
    return format_utc(std::chrono::floor<std::chrono::seconds>(*from + *duration));
}

}  // namespace tickledger
