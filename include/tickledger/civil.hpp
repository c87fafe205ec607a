// Civil time of one site: where its days, hours and months begin and end.
#pragma once

#include <date/date.h>

#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "tickledger/result.hpp"
#include "tickledger/time.hpp"

namespace date {
class time_zone;
}

namespace tickledger {

/// The spacing of a series' rows.
enum class Step : std::uint8_t { interval, hour, day, month, year };

[[nodiscard]] std::string_view name_of(Step step);
[[nodiscard]] std::optional<Step> step_named(std::string_view name);

/// The date in a text such as "2026-03-01". Nothing if the date does not exist or the text holds anything
/// else.
[[nodiscard]] std::optional<date::year_month_day> civil_date_in(std::string_view text);

/// The Monday of the ISO 8601 week that holds the day.
[[nodiscard]] date::sys_days monday_of(date::sys_days day);

/// The time zone of a site, by its IANA name. A day runs from civil midnight to the next: 23, 24 or 25 hours,
/// or whatever the zone's rules give. If midnight happens twice, the first one counts. If a clock change
/// skips it, the day begins at the change. A date that the zone skips completely has no day.
///
/// Cheap to copy. Safe to read from several threads.
class CivilZone {
public:
    /// Looks the zone up in the system's zone data. Fails with the name and a hint if it is unknown.
    [[nodiscard]] static Result<CivilZone> find(std::string_view iana_name);

    [[nodiscard]] const std::string& name() const { return name_; }

    /// The first instant of a civil date. If the zone skips the date: of the next date that exists.
    [[nodiscard]] Instant start_of(date::year_month_day day) const;

    /// The civil date whose day holds the instant. A day is [midnight, next midnight): midnight itself begins
    /// a day.
    [[nodiscard]] date::year_month_day date_of(Instant t) const;

    /// The row of a series that begins at or before `t` and ends after it.
    ///
    /// Intervals are counted from each civil midnight, and the last one of a day may be shorter. An hour is
    /// an interval of one hour. Only `Step::interval` reads `interval`.
    [[nodiscard]] Span row_at(Step step, Duration interval, Instant t) const;

    /// The civil time of day ("01:00") on a date, as an instant. If a clock change skips it, the instant of
    /// the change; if it happens twice, the first.
    [[nodiscard]] Instant at(date::year_month_day day, Duration time_of_day) const;

    /// RFC 3339 with the zone's offset at that instant, to the second or, if there is a fraction, to the
    /// microsecond: "2026-03-01T08:00:00+01:00".
    [[nodiscard]] std::string format(Instant t) const;

    /// Reads an instant of a request: RFC 3339, or a civil date "2026-03-01", which means its first instant.
    [[nodiscard]] Result<Instant> parse(std::string_view text) const;

private:
    CivilZone(std::string name, const date::time_zone* zone);

    std::string name_;
    const date::time_zone* zone_;
};

/// Finds rows for instants that mostly come in order. Looks the zone up once a day, not once an instant. Not
/// safe to share between threads.
class RowFinder {
public:
    RowFinder(CivilZone zone, Duration interval) : zone_(std::move(zone)), interval_(interval) {}

    /// As CivilZone::row_at.
    [[nodiscard]] Span row_at(Step step, Instant t);

    /// The row (from, to] that holds an instant at which something ends. An instant on a boundary belongs to
    /// the row that ends there.
    [[nodiscard]] Span row_ending_at_or_after(Step step, Instant t) { return row_at(step, t - Duration{1}); }

    [[nodiscard]] const CivilZone& zone() const { return zone_; }
    [[nodiscard]] Duration interval() const { return interval_; }

private:
    CivilZone zone_;
    Duration interval_;
    Span day_{};
    Span month_{};
    Span year_{};
};

}  // namespace tickledger
