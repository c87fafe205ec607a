// Points of time as a query tells them.
#pragma once

#include <string_view>

#include "tickledger/civil.hpp"
#include "tickledger/result.hpp"

namespace tickledger {

/// What points that are told from now are told from.
struct PointsFrom {
    Instant now{};
    /// `monday` is that of the week (ISO 8601) that this is in.
    Instant week{};
};

/// Reads a civil date, an RFC 3339 time, or a point told from now, so that whoever asks need not know the
/// time at the site: `now`, `today` or `monday`, and maybe a length: `now-24h`, `today+1d`, `monday-3w`.
/// Lengths from `today` and `monday` are whole days by the calendar; those from `now` are time that passes.
/// At most 36 500 days.
[[nodiscard]] Result<Instant> point_of(std::string_view text, const CivilZone& zone, const PointsFrom& from);

}  // namespace tickledger
