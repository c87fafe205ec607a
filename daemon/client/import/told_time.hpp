// A time as records of people write it: with its offset from UTC, or as the clock on the wall showed it.
#pragma once

#include <date/date.h>

#include <optional>
#include <string_view>

#include "tickledger/civil.hpp"

namespace tickledger {

/// What 03/04/2025 means.
enum class DateOrder : std::uint8_t { unknown, day_first, month_first };

struct ToldTime {
    /// Of a time with an offset, or of seconds or milliseconds since 1970.
    std::optional<Instant> instant;
    // Otherwise the date and time on the wall clock.
    date::year_month_day day;
    Duration time_of_day{};
};

/// Reads RFC 3339, 2025-03-01 08:15[:30], 2025-03-01, 2025-03, 01.03.2025 08:15, 1/3/2025 8:15 pm, 10 or 13
/// digits since 1970. 24:00 is the next midnight. Nothing: it is none of these, does not exist, or has
/// slashes and could be two dates.
[[nodiscard]] std::optional<ToldTime> read_time(std::string_view text, DateOrder order);

/// What the first two numbers of a date with slashes prove; `unknown` where they prove nothing.
[[nodiscard]] DateOrder date_order_of(std::string_view text);
/// It is a date with slashes, whose order has to be known.
[[nodiscard]] bool needs_date_order(std::string_view text);

/// How often a wall-clock time occurs.
enum class WallTime : std::uint8_t {
    once,
    twice,  ///< The clock was set back over it.
    never,  ///< The clock was set ahead over it.
};

struct PlacedTime {
    Instant at{};         ///< Twice: the first. Never: the moment at which the clock was set ahead.
    Instant second_at{};  ///< Twice: the second.
    WallTime kind = WallTime::once;
};

[[nodiscard]] PlacedTime place(const ToldTime& told, const CivilZone& zone);

}  // namespace tickledger
