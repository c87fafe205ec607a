#include "book/night_times.hpp"

namespace tickledger {

namespace {

Span night_ending_on(const CivilZone& zone, const AlarmSettings& alarms, date::sys_days day) {
    const bool begins_evening_before = alarms.night_from > alarms.night_to;
    const date::year_month_day date_of_begin{begins_evening_before ? day - date::days{1} : day};
    return {zone.at(date_of_begin, alarms.night_from), zone.at(date::year_month_day{day}, alarms.night_to)};
}

}  // namespace

// A zone that skips hours may leave a night without length. Then there is no night on that date.

Span night_after(const CivilZone& zone, const AlarmSettings& alarms, Instant t) {
    for (date::sys_days day{zone.date_of(t)};; day += date::days{1}) {
        const Span night = night_ending_on(zone, alarms, day);
        if (night.to > t && night.length() > Duration{0}) return night;
    }
}

Span night_before(const CivilZone& zone, const AlarmSettings& alarms, Instant t) {
    for (date::sys_days day{zone.date_of(t)};; day -= date::days{1}) {
        const Span night = night_ending_on(zone, alarms, day);
        if (night.to <= t && night.length() > Duration{0}) return night;
    }
}

}  // namespace tickledger
