#include "tickledger/civil.hpp"

#include <date/tz.h>
#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <exception>

namespace tickledger {

namespace {

using std::chrono::hours;

constexpr std::array<std::string_view, 5> step_names{"interval", "hour", "day", "month", "year"};

/// The offset of a zone between two changes of its rules.
struct KnownOffset {
    const date::time_zone* zone = nullptr;
    Instant begin{};
    Instant end{};
    std::chrono::seconds offset{};
};

/// The offset that was used last. A series asks for many moments of one summer or winter, and the library
/// would search for each.
KnownOffset& last_known() {
    thread_local KnownOffset known;
    return known;
}

std::chrono::seconds offset_at(const date::time_zone& zone, Instant t) {
    KnownOffset& known = last_known();
    if (known.zone != &zone || t < known.begin || t >= known.end) {
        const date::sys_info info = zone.get_info(date::floor<std::chrono::seconds>(t));
        known = {&zone, info.begin, info.end, info.offset};
    }
    return known.offset;
}

/// The first instant at which the zone's clock shows `local` or more.
Instant first_instant_of(const date::time_zone& zone, date::local_time<Duration> local) {
    // No two offsets of a zone are this far apart. If no change is this near, only one instant shows `local`.
    constexpr hours far{48};
    const KnownOffset& known = last_known();
    const Instant likely = Instant{local.time_since_epoch()} - known.offset;
    if (known.zone == &zone && likely - far >= known.begin && likely + far < known.end) return likely;
    const date::local_info info = zone.get_info(local);
    // Inside a gap no instant shows it. The end of the gap is the first that shows more.
    if (info.result == date::local_info::nonexistent) return info.first.end;
    // If it happens twice, `first` is the earlier one.
    return Instant{local.time_since_epoch()} - info.first.offset;
}

date::year_month_day next_day(date::year_month_day day) {
    return date::sys_days{day} + date::days{1};
}

/// The piece that holds `t`, if `day` is cut from its beginning into pieces of `interval`.
Span piece_of(Span day, Duration interval, Instant t) {
    const Instant from = day.from + (t - day.from) / interval * interval;
    return {from, std::min(from + interval, day.to)};
}

bool holds(Span row, Instant t) {
    return row.from <= t && t < row.to;
}

}  // namespace

std::string_view name_of(Step step) {
    return step_names[static_cast<std::size_t>(step)];
}

std::optional<Step> step_named(std::string_view name) {
    const auto* const found = std::find(step_names.begin(), step_names.end(), name);
    if (found == step_names.end()) return std::nullopt;
    return static_cast<Step>(found - step_names.begin());
}

date::sys_days monday_of(date::sys_days day) {
    return day - (date::weekday{day} - date::Monday);
}

Result<CivilZone> CivilZone::find(std::string_view iana_name) {
    // The library reports an unknown name, and missing zone data, by throwing.
    try {
        return CivilZone{std::string{iana_name}, date::locate_zone(iana_name)};
    } catch (const std::exception&) {
        return fail(
            fmt::format("\"{}\" is not a time zone of this system: give an IANA name such as "
                        "\"Europe/Lisbon\" (`timedatectl list-timezones` shows them all), and see that the "
                        "package tzdata is installed.",
                        iana_name.substr(0, 64)));
    }
}

CivilZone::CivilZone(std::string name, const date::time_zone* zone) : name_(std::move(name)), zone_(zone) {}

Instant CivilZone::start_of(date::year_month_day day) const {
    return first_instant_of(*zone_, date::local_days{day});
}

date::year_month_day CivilZone::date_of(Instant t) const {
    date::year_month_day day{date::floor<date::days>(t + offset_at(*zone_, t))};
    // If the clock goes back over a midnight that has passed, it shows the day before again. But the new day
    // has begun: its first midnight counts.
    while (start_of(next_day(day)) <= t)
        day = next_day(day);
    return day;
}

Span CivilZone::row_at(Step step, Duration interval, Instant t) const {
    const date::year_month_day day = date_of(t);
    switch (step) {
        case Step::interval:
            return piece_of({start_of(day), start_of(next_day(day))}, interval, t);
        case Step::hour:
            return piece_of({start_of(day), start_of(next_day(day))}, hours{1}, t);
        case Step::day:
            return {start_of(day), start_of(next_day(day))};
        case Step::month: {
            const date::year_month month = day.year() / day.month();
            return {start_of(month / 1), start_of((month + date::months{1}) / 1)};
        }
        case Step::year:
            break;
    }
    return {start_of(day.year() / 1 / 1), start_of((day.year() + date::years{1}) / 1 / 1)};
}

Instant CivilZone::at(date::year_month_day day, Duration time_of_day) const {
    return first_instant_of(*zone_, date::local_days{day} + time_of_day);
}

std::string CivilZone::format(Instant t) const {
    const std::chrono::seconds offset = offset_at(*zone_, t);
    // RFC 3339 has no seconds in an offset. Zones had them only while they kept solar time.
    if (offset % std::chrono::minutes{1} != std::chrono::seconds{0}) return format_utc(t);
    std::string text = format_utc(t + offset);
    const bool has_fraction = t.time_since_epoch() % std::chrono::seconds{1} != Duration{0};
    // Cuts the Z, and the fraction before it if it is zero.
    text.resize(text.size() - (has_fraction ? 1 : 8));
    const std::int64_t minutes = std::abs(offset.count()) / 60;
    for (const char character :
         {offset.count() < 0 ? '-' : '+', static_cast<char>('0' + minutes / 600),
          static_cast<char>('0' + minutes / 60 % 10), ':', static_cast<char>('0' + minutes % 60 / 10),
          static_cast<char>('0' + minutes % 10)}) {
        text += character;
    }
    return text;
}

std::optional<date::year_month_day> civil_date_in(std::string_view text) {
    if (text.size() != 10 || text[4] != '-' || text[7] != '-') return std::nullopt;
    std::array<int, 3> parts{};
    std::size_t part = 0;
    for (const char character : text) {
        if (character == '-' && part < 2) {
            ++part;
        } else if (character >= '0' && character <= '9') {
            parts[part] = parts[part] * 10 + (character - '0');
        } else {
            return std::nullopt;
        }
    }
    const auto day = date::year{parts[0]} / date::month{static_cast<unsigned>(parts[1])} /
                     date::day{static_cast<unsigned>(parts[2])};
    if (!day.ok()) return std::nullopt;
    return day;
}

Result<Instant> CivilZone::parse(std::string_view text) const {
    if (const auto day = civil_date_in(text)) return start_of(*day);
    if (Result<Instant> instant = parse_rfc3339(text)) return instant;
    return fail(
        fmt::format("\"{}\" is neither a civil date nor a time: write a date like 2026-03-01, or a time as "
                    "in RFC 3339 with the offset from UTC, like 2026-03-01T08:00:00+01:00.",
                    text.substr(0, 64)));
}

Span RowFinder::row_at(Step step, Instant t) {
    const auto kept = [&](Span& row, Step its_step) {
        if (!holds(row, t)) row = zone_.row_at(its_step, interval_, t);
        return row;
    };
    switch (step) {
        case Step::interval:
            return piece_of(kept(day_, Step::day), interval_, t);
        case Step::hour:
            return piece_of(kept(day_, Step::day), hours{1}, t);
        case Step::day:
            return kept(day_, Step::day);
        case Step::month:
            return kept(month_, Step::month);
        case Step::year:
            break;
    }
    return kept(year_, Step::year);
}

}  // namespace tickledger
