// Times as people say them: a day, a month, the last week, for two days.
#pragma once

#include <optional>
#include <string>

#include "tickledger/result.hpp"

namespace tickledger {

/// `from` and `to` of a request, and the step that suits the range where none was asked for.
struct AskedRange {
    std::optional<std::string> from;
    std::optional<std::string> to;
    std::string step;
};

// Points that are told from now are sent as the daemon understands them ("today-6d"), so that nobody must ask
// what time it is at the site before the question.

/// "today", "yesterday" or a date like 2026-03-01.
[[nodiscard]] Result<AskedRange> range_of_day(const std::string& day);

/// "2026-03".
[[nodiscard]] Result<AskedRange> range_of_month(const std::string& month);

/// "7d", "2w": today and the days before it, seven or fourteen in all; "24h", "90min": so long up to now.
[[nodiscard]] Result<AskedRange> range_of_last(const std::string& length);

/// A point of a range: "today", "yesterday", "now", or so long ago ("2w", "10d": the date; "36h", "90min":
/// the time). Any other text comes back as it is, for the daemon to judge.
[[nodiscard]] std::string point_in(const std::string& text);

/// The Monday of the week (ISO 8601) of a date, or of a time.
[[nodiscard]] Result<std::string> monday_before(const std::string& date);

/// A length as people say it ("2d", "90min"), as ISO 8601 writes it; what begins with P is left as it is.
[[nodiscard]] Result<std::string> iso_length(const std::string& length);

/// The time so long after `now` (RFC 3339).
[[nodiscard]] Result<std::string> end_of(const std::string& length, const std::string& now);

}  // namespace tickledger
