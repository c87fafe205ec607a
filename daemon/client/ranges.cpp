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

Result<date::sys_days> today_at(const std::string& now) {
    const auto day = civil_date_in(std::string_view(now).substr(0, 10));
    if (!day)
        return fail(fmt::format("The daemon tells the time as \"{}\", which is no RFC 3339 time.", now));
    return date::sys_days{*day};
}

/// A duration with weeks besides.
Result<Duration> length_in(const std::string& text) {
    if (text.size() < 2 || text.size() > 6 || !text.ends_with('w')) return parse_duration(text);
    const auto weeks = parse_duration(text.substr(0, text.size() - 1) + "d");
    return weeks ? Result<Duration>(*weeks * 7) : weeks;
}

bool counts_days(const std::string& length) {
    return length.ends_with('d') || length.ends_with('w');
}

}  // namespace

Result<std::string> point_in(const std::string& text, const std::function<std::string()>& now) {
    const bool is_day = text == "today" || text == "yesterday";
    const bool is_length = !text.empty() && text.front() >= '0' && text.front() <= '9' &&
                           text.find_first_of("-:") == std::string::npos && length_in(text).has_value();
    if (!is_day && !is_length && text != "now") return text;
    const std::string time = now();
    if (text == "now") return time;
    if (is_length && !counts_days(text)) {
        const auto at = parse_rfc3339(time);
        if (!at) return tl::unexpected(at.error());
        return format_utc(*at - *length_in(text));
    }
    const auto today = today_at(time);
    if (!today) return tl::unexpected(today.error());
    const auto days = is_length ? std::chrono::floor<date::days>(*length_in(text))
                                : date::days{text == "yesterday" ? 1 : 0};
    return text_of(*today - days);
}

Result<std::string> monday_before(const std::string& date, int weeks) {
    const auto day = today_at(date);
    if (!day) return tl::unexpected(day.error());
    const date::weekday weekday{*day};
    return text_of(*day - (weekday - date::Monday) - date::weeks{weeks});
}

Result<AskedRange> range_of_day(const std::string& day, const std::string& now) {
    date::sys_days begin;
    if (day == "today" || day == "yesterday") {
        const auto today = today_at(now);
        if (!today) return tl::unexpected(today.error());
        begin = *today - date::days{day == "today" ? 0 : 1};
    } else if (const auto date = civil_date_in(day)) {
        begin = *date;
    } else {
        return fail(fmt::format("--day is \"{}\". Give today, yesterday or a date like 2026-03-01.", day));
    }
    return AskedRange{text_of(begin), text_of(begin + date::days{1}), "hour"};
}

Result<AskedRange> range_of_month(const std::string& month) {
    const auto first = civil_date_in(month + "-01");
    if (!first) return fail(fmt::format("--month is \"{}\". Give a month like 2026-03.", month));
    return AskedRange{text_of(*first), text_of(*first + date::months{1}), "day"};
}

Result<AskedRange> range_of_last(const std::string& length, const std::string& now) {
    const auto duration = length_in(length);
    if (!duration || *duration <= Duration::zero()) {
        return fail(
            fmt::format("--last is \"{}\". Give a whole number and w, d, h or min, as in 7d.", length));
    }
    if (counts_days(length)) {
        const auto today = today_at(now);
        if (!today) return tl::unexpected(today.error());
        const auto days = std::chrono::floor<date::days>(*duration);
        return AskedRange{text_of(*today - days + date::days{1}), text_of(*today + date::days{1}), "day"};
    }
    const auto end = parse_rfc3339(now);
    if (!end) return tl::unexpected(end.error());
    return AskedRange{format_utc(*end - *duration), format_utc(*end),
                      *duration > std::chrono::hours{6} ? "hour" : "interval"};
}

Result<std::string> iso_length(const std::string& length) {
    if (length.starts_with('P')) return length;
    const auto duration = length_in(length);
    if (!duration || *duration < std::chrono::seconds{1})
        return fail(
            fmt::format("--for is \"{}\". Give a whole number and w, d, h or min, as in 2d.", length));
    return fmt::format("PT{}S", std::chrono::floor<std::chrono::seconds>(*duration).count());
}

Result<std::string> end_of(const std::string& length, const std::string& now) {
    const auto duration = length.starts_with('P') ? parse_iso_duration(length) : length_in(length);
    const auto from = parse_rfc3339(now);
    if (!from) return tl::unexpected(from.error());
    // A hundred years: what is longer is a slip of the finger, and may not fit.
    if (!duration || *duration <= Duration{0} || *duration > std::chrono::hours{24 * 36'500})
        return fail(
            fmt::format("--for is \"{}\". Give a whole number and w, d, h or min, as in 14d.", length));
    return format_utc(std::chrono::floor<std::chrono::seconds>(*from + *duration));
}

}  // namespace tickledger
