// Reads points of time from a query.
#pragma once

#include <string_view>

#include "tickledger/civil.hpp"
#include "tickledger/result.hpp"

namespace tickledger {

/// The moments that relative points start from.
struct PointsFrom {
    Instant now{};
    /// `monday` is the Monday of the ISO 8601 week that this moment is in.
    Instant week{};
};

/// Reads a civil date, an RFC 3339 time, or a relative point, for callers that do not know the time at the
/// site: `now`, `today` or `monday`, optionally with a length, as in `now-24h`, `today+1d`, `monday-3w`.
/// Lengths from `today` and `monday` are whole calendar days; those from `now` are elapsed time. At most 36
/// 500 days.
[[nodiscard]] Result<Instant> point_of(std::string_view text, const CivilZone& zone, const PointsFrom& from);

}  // namespace tickledger
