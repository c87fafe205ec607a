// Instants and spans on the one time line of the ledger: microseconds since 1970-01-01T00:00:00Z.
//
// Nothing here asks for the current time. Instants come with messages (event time) or from the clock port of
// the service.
#pragma once

#include <chrono>
#include <compare>
#include <cstdint>
#include <string>
#include <string_view>

#include "tickledger/result.hpp"

namespace tickledger {

using Duration = std::chrono::microseconds;
using Instant = std::chrono::time_point<std::chrono::system_clock, Duration>;

/// The half-open stretch (from, to]: an instant on a boundary belongs to the span that it ends.
struct Span {
    Instant from{};
    Instant to{};

    [[nodiscard]] Duration length() const { return to - from; }
    auto operator<=>(const Span&) const = default;
};

/// The part that two spans share. Its length is zero or negative if they share none.
[[nodiscard]] constexpr Span overlap(Span a, Span b) {
    return {a.from > b.from ? a.from : b.from, a.to < b.to ? a.to : b.to};
}

[[nodiscard]] constexpr std::int64_t microseconds_of(Instant t) {
    return t.time_since_epoch().count();
}
[[nodiscard]] constexpr Instant instant_of(std::int64_t microseconds) {
    return Instant{Duration{microseconds}};
}

/// Reads RFC 3339 ("2026-03-01T07:00:00.25Z", "2026-03-01 08:00:00+01:00"). An offset without a colon
/// ("+0100", as the general MQTT clients write it) is accepted too. Digits of the fraction beyond the
/// microsecond are cut. A leap second (":60") is the first instant of the next minute.
[[nodiscard]] Result<Instant> parse_rfc3339(std::string_view text);

/// Writes RFC 3339 in UTC with six digits: "2026-03-01T07:00:00.123456Z".
[[nodiscard]] std::string format_utc(Instant t);

/// Reads a duration of the configuration or a request: a whole number and one of the units "us", "ms", "s",
/// "min", "h", "d" ("90s", "15min", "400d"), or "0". A negative number is an error.
[[nodiscard]] Result<Duration> parse_duration(std::string_view text);

/// Reads an ISO 8601 duration as RFC 3339 appendix A writes it: "P2D", "PT12H", "P1DT6H30M", "P1W". Numbers
/// must be whole. A day is 24 hours. Years and months have no fixed length and are an error.
[[nodiscard]] Result<Duration> parse_iso_duration(std::string_view text);

/// Writes a duration in the largest unit that divides it: "15min", "1s", "0s".
[[nodiscard]] std::string format_duration(Duration d);

}  // namespace tickledger
