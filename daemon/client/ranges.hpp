// Reads times as people write them: a day, a month, the last week, for two days.
#pragma once

#include <optional>
#include <string>

#include "tickledger/result.hpp"

namespace tickledger {

/// `from` and `to` of a request, and the step that suits the range if none was asked for.
struct AskedRange {
    std::optional<std::string> from;
    std::optional<std::string> to;
    std::string step;
};

// Relative points are sent in the daemon's form ("today-6d"), so the client need not ask for the time at the
// site first.

/// The range of "today", "yesterday" or a date like 2026-03-01.
[[nodiscard]] Result<AskedRange> range_of_day(const std::string& day);

/// The range of a month: "2026-03".
[[nodiscard]] Result<AskedRange> range_of_month(const std::string& month);

/// "7d", "2w": today and the days before it, seven or fourteen in all. "24h", "90min": that much time up to
/// now.
[[nodiscard]] Result<AskedRange> range_of_last(const std::string& length);

/// The daemon's form of "today", "yesterday", "now", or a length ago ("2w", "10d": the date; "36h", "90min":
/// the time). Any other text is returned unchanged; the daemon judges it.
[[nodiscard]] std::string point_in(const std::string& text);

/// The Monday of the ISO 8601 week of a date or of a time.
[[nodiscard]] Result<std::string> monday_before(const std::string& date);

/// A length as people write it ("2d", "90min") in ISO 8601 form. A text that begins with P is returned
/// unchanged.
[[nodiscard]] Result<std::string> iso_length(const std::string& length);

/// The time a length after `now`; both times are RFC 3339.
[[nodiscard]] Result<std::string> end_of(const std::string& length, const std::string& now);

}  // namespace tickledger
