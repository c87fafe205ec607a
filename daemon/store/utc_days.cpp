#include "store/utc_days.hpp"

#include <date/date.h>

#include <algorithm>

namespace tickledger {

namespace {

constexpr std::int64_t day_us = 86'400'000'000;

}  // namespace

std::int64_t day_of(Instant t) {
    const auto us = microseconds_of(t);
    return us / day_us - (us % day_us < 0 ? 1 : 0);
}

Instant start_of_day(std::int64_t day) {
    return instant_of(day * day_us);
}

UtcDays quarter_of(Instant t) {
    // The date library's years are limited. No time in a ledger is near the limit.
    constexpr std::int64_t far = 2'000'000;
    const date::days since_1970{std::clamp(day_of(t), -far / 4, far)};
    const auto day = date::year_month_day(date::sys_days{since_1970});
    const date::months since_quarter{(static_cast<unsigned>(day.month()) - 1) % 3};
    const date::year_month begin = day.year() / day.month() - since_quarter;
    const date::sys_days first = begin / 1;
    const date::sys_days next = (begin + date::months{3}) / 1;
    return {first.time_since_epoch().count(), (next - first).count()};
}

}  // namespace tickledger
