#include "serve/point.hpp"

#include <date/date.h>

#include <string>

#include "tickledger/time.hpp"

namespace tickledger {

namespace {

constexpr Duration longest = std::chrono::hours{24 * 36'500};

/// A duration, which may be in weeks; negative after a minus.
Result<Duration> signed_length(std::string_view text) {
    std::string told(text.substr(1));
    const bool is_in_weeks = told.ends_with('w');
    if (is_in_weeks) told.back() = 'd';
    const auto length = parse_duration(told);
    if (!length) return length;
    if (*length > longest / (is_in_weeks ? 7 : 1)) return fail("That is more than 36500 days.");
    return *length * (is_in_weeks ? 7 : 1) * (text.front() == '-' ? -1 : 1);
}

}  // namespace

Result<Instant> point_of(std::string_view text, const CivilZone& zone, const PointsFrom& from) {
    const std::string_view anchor = text.substr(0, text.find_first_of("+-"));
    const bool is_now = anchor == "now";
    const bool is_monday = anchor == "monday";
    if (!is_now && !is_monday && anchor != "today") return zone.parse(text);
    Duration length{0};
    if (text.size() > anchor.size()) {
        const auto told = signed_length(text.substr(anchor.size()));
        if (!told) return tl::unexpected(told.error());
        length = *told;
    }
    if (is_now) return from.now + length;
    const auto days = std::chrono::duration_cast<date::days>(length);
    if (days != length) return fail("Only whole days or weeks can be added to a day or subtracted from it.");
    date::sys_days day{zone.date_of(is_monday ? from.week : from.now)};
    if (is_monday) day = monday_of(day);
    return zone.start_of(day + days);
}

}  // namespace tickledger
