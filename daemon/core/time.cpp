#include "tickledger/time.hpp"

#include <date/date.h>
#include <fmt/format.h>

#include <array>
#include <charconv>
#include <limits>

namespace tickledger {

namespace {

using std::chrono::hours;
using std::chrono::minutes;
using std::chrono::seconds;

/// Takes a text apart from the left. Every step returns whether it fitted.
class Scanner {
public:
    explicit Scanner(std::string_view text) : rest_(text) {}

    [[nodiscard]] bool at_end() const { return rest_.empty(); }

    [[nodiscard]] bool take_any_of(std::string_view characters) {
        if (rest_.empty() || characters.find(rest_.front()) == std::string_view::npos) return false;
        rest_.remove_prefix(1);
        return true;
    }

    [[nodiscard]] bool digits(std::size_t count, int& value) {
        if (rest_.size() < count) return false;
        value = 0;
        for (const char digit : rest_.substr(0, count)) {
            if (digit < '0' || digit > '9') return false;
            value = value * 10 + (digit - '0');
        }
        rest_.remove_prefix(count);
        return true;
    }

    /// At least one digit after a point; those beyond the microsecond are read and cut.
    [[nodiscard]] bool fraction(Duration& value) {
        std::int64_t scale = 100'000;
        std::int64_t sum = 0;
        std::size_t length = 0;
        for (; length < rest_.size() && rest_[length] >= '0' && rest_[length] <= '9'; ++length) {
            sum += scale * (rest_[length] - '0');
            scale /= 10;
        }
        rest_.remove_prefix(length);
        value = Duration{sum};
        return length > 0;
    }

    [[nodiscard]] char take() {
        const char first = rest_.front();
        rest_.remove_prefix(1);
        return first;
    }

private:
    std::string_view rest_;
};

// The years of RFC 3339 have four digits.
constexpr Instant first_moment = date::sys_days{date::year{0} / 1 / 1};
constexpr Instant end_of_moments = date::sys_days{date::year{10'000} / 1 / 1};

struct TimeOfDay {
    int hour = 0;
    int minute = 0;
    int second = 0;
    Duration fraction{};
};

bool scan_date(Scanner& scanner, date::year_month_day& day) {
    int year = 0;
    int month = 0;
    int day_of_month = 0;
    if (!scanner.digits(4, year) || !scanner.take_any_of("-") || !scanner.digits(2, month) ||
        !scanner.take_any_of("-") || !scanner.digits(2, day_of_month)) {
        return false;
    }
    day = date::year{year} / date::month{static_cast<unsigned>(month)} /
          date::day{static_cast<unsigned>(day_of_month)};
    return day.ok();
}

bool scan_time_of_day(Scanner& scanner, TimeOfDay& time) {
    if (!scanner.digits(2, time.hour) || !scanner.take_any_of(":") || !scanner.digits(2, time.minute) ||
        !scanner.take_any_of(":") || !scanner.digits(2, time.second)) {
        return false;
    }
    if (scanner.take_any_of(".") && !scanner.fraction(time.fraction)) return false;
    return time.hour <= 23 && time.minute <= 59 && time.second <= 60;
}

bool scan_offset(Scanner& scanner, minutes& offset) {
    offset = minutes{0};
    // mosquitto_sub 2.0 writes local time as "…Z+0100". Then the offset counts, and the Z means nothing.
    if (scanner.take_any_of("Zz") && scanner.at_end()) return true;
    if (scanner.at_end()) return false;
    const char sign = scanner.take();
    int hour = 0;
    int minute = 0;
    if ((sign != '+' && sign != '-') || !scanner.digits(2, hour)) return false;
    static_cast<void>(scanner.take_any_of(":"));
    if (!scanner.digits(2, minute) || hour > 23 || minute > 59) return false;
    offset = hours{hour} + minutes{minute};
    if (sign == '-') offset = -offset;
    return scanner.at_end();
}

void put_digits(char* end, std::int64_t value, int count) {
    for (int i = 0; i < count; ++i) {
        *--end = static_cast<char>('0' + value % 10);
        value /= 10;
    }
}

struct DurationUnit {
    std::string_view name;
    std::int64_t microseconds;
};

/// From the largest to the smallest.
constexpr std::array<DurationUnit, 6> duration_units{{
    {"d", 86'400'000'000},
    {"h", 3'600'000'000},
    {"min", 60'000'000},
    {"s", 1'000'000},
    {"ms", 1'000},
    {"us", 1},
}};

}  // namespace

Result<Instant> parse_rfc3339(std::string_view text) {
    Scanner scanner{text};
    date::year_month_day day;
    TimeOfDay time;
    minutes offset{};
    if (!scan_date(scanner, day) || !scanner.take_any_of("Tt ") || !scan_time_of_day(scanner, time) ||
        !scan_offset(scanner, offset)) {
        return fail(
            fmt::format("\"{}\" is not a time: write it as in RFC 3339, with the offset from UTC, "
                        "for example 2026-03-01T07:00:00Z or 2026-03-01T08:00:00+01:00.",
                        text.substr(0, 64)));
    }
    const bool is_leap_second = time.second == 60;
    const Instant minute_start = date::sys_days{day} + hours{time.hour} + minutes{time.minute} - offset;
    Instant moment = minute_start + seconds{time.second};
    if (!is_leap_second) {
        moment += time.fraction;
    } else if (moment != date::floor<date::days>(moment)) {
        return fail(
            fmt::format("\"{}\" is not a time: a leap second (:60) is possible only at the end of a UTC day.",
                        text.substr(0, 64)));
    }
    // An offset or a leap second may lead out of the years that RFC 3339 can write.
    if (moment < first_moment || moment >= end_of_moments) {
        return fail(fmt::format("\"{}\" is not a time: in UTC it lies outside the years 0000 to 9999.",
                                text.substr(0, 64)));
    }
    return moment;
}

std::string format_utc(Instant t) {
    const auto midnight = date::floor<date::days>(t);
    const date::year_month_day day{midnight};
    const auto in_day_us = (t - midnight).count();
    const int year = int{day.year()};
    if (year < 0 || year > 9999) {
        // RFC 3339 ends there. No believed time is that far away.
        return fmt::format("{}-{:02}-{:02}T{:02}:{:02}:{:02}.{:06}Z", year, unsigned{day.month()},
                           unsigned{day.day()}, in_day_us / 3'600'000'000, in_day_us / 60'000'000 % 60,
                           in_day_us / 1'000'000 % 60, in_day_us % 1'000'000);
    }
    // By hand, because the message log stamps every message with it.
    std::string text = "0000-00-00T00:00:00.000000Z";
    char* const start = text.data();
    put_digits(start + 4, year, 4);
    put_digits(start + 7, unsigned{day.month()}, 2);
    put_digits(start + 10, unsigned{day.day()}, 2);
    put_digits(start + 13, in_day_us / 3'600'000'000, 2);
    put_digits(start + 16, in_day_us / 60'000'000 % 60, 2);
    put_digits(start + 19, in_day_us / 1'000'000 % 60, 2);
    put_digits(start + 26, in_day_us % 1'000'000, 6);
    return text;
}

Result<Duration> parse_duration(std::string_view text) {
    const auto refuse = [&](std::string_view why) {
        return fail(
            fmt::format("\"{}\" is not a duration: {}. Write a whole number and a unit out of "
                        "us, ms, s, min, h, d, for example 90s or 15min.",
                        text.substr(0, 64), why));
    };
    if (text == "0") return Duration{0};
    if (text.starts_with('-')) return refuse("it is negative");
    std::int64_t number = 0;
    const char* const last = text.data() + text.size();
    const auto [end, error] = std::from_chars(text.data(), last, number);
    if (error == std::errc::result_out_of_range) return refuse("it is too long");
    if (error != std::errc{}) return refuse("it does not begin with a whole number");
    const std::string_view unit_name{end, static_cast<std::size_t>(last - end)};
    for (const DurationUnit& unit : duration_units) {
        if (unit.name != unit_name) continue;
        if (number > std::numeric_limits<std::int64_t>::max() / unit.microseconds)
            return refuse("it is too long");
        return Duration{number * unit.microseconds};
    }
    if (unit_name.empty()) return refuse("it has no unit");
    return refuse(fmt::format("\"{}\" is not a unit of time", unit_name.substr(0, 16)));
}

Result<Duration> parse_iso_duration(std::string_view text) {
    const auto refuse = [&](std::string_view why) {
        return fail(
            fmt::format("\"{}\" is not a duration: {}. Write it as in ISO 8601, for example P2D (two days), "
                        "PT12H (twelve hours) or P1W (a week).",
                        text.substr(0, 64), why));
    };
    struct Part {
        char name;
        bool is_time;
        std::int64_t microseconds;
    };
    // In the order in which they may stand.
    constexpr std::array<Part, 5> parts{{{'W', false, 7 * 86'400'000'000},
                                         {'D', false, 86'400'000'000},
                                         {'H', true, 3'600'000'000},
                                         {'M', true, 60'000'000},
                                         {'S', true, 1'000'000}}};
    if (!text.starts_with('P')) return refuse("it does not begin with P");
    std::string_view rest = text.substr(1);
    bool in_time = false;
    std::int64_t sum = 0;
    for (const Part& part : parts) {
        if (part.is_time && !in_time && rest.starts_with('T')) {
            in_time = true;
            rest.remove_prefix(1);
        }
        const auto length = rest.find_first_not_of("0123456789");
        const bool is_there = length != std::string_view::npos && length > 0 && rest[length] == part.name &&
                              part.is_time == in_time;
        if (!is_there) continue;
        std::int64_t number = 0;
        const auto [end, error] = std::from_chars(rest.data(), rest.data() + length, number);
        const std::int64_t most = (std::numeric_limits<std::int64_t>::max() - sum) / part.microseconds;
        if (error != std::errc{} || number > most) return refuse("it is too long");
        sum += number * part.microseconds;
        rest.remove_prefix(length + 1);
    }
    if (!rest.empty() && !in_time && (rest.back() == 'Y' || rest.back() == 'M'))
        return refuse("years and months differ in length");
    if (!rest.empty()) return refuse(fmt::format("\"{}\" is not allowed there", rest.substr(0, 16)));
    if (text.size() < 3 || text.ends_with('T')) return refuse("a number is missing");
    return Duration{sum};
}

std::string format_duration(Duration d) {
    if (d == Duration{0}) return "0s";
    for (const DurationUnit& unit : duration_units) {
        if (d.count() % unit.microseconds == 0) {
            return fmt::format("{}{}", d.count() / unit.microseconds, unit.name);
        }
    }
    return {};  // Not reached: a microsecond divides every duration.
}

}  // namespace tickledger
