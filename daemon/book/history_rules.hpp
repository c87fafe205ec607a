// What of the time before a meter's first reading may be told, and what becomes of it. The API asks these
// rules to answer a person, and booking asks them again: an instruction does what they say, whenever it is
// read.
#pragma once

#include <cstdint>
#include <span>
#include <string>
#include <vector>

#include "store/history.hpp"
#include "tickledger/civil.hpp"
#include "tickledger/result.hpp"

namespace tickledger {

/// A reading of long ago: the whole ticks that its cumulative volume holds.
struct HistoryPoint {
    Instant at{};
    std::int64_t ticks = 0;
};

/// Readings of one piece follow one another without a gap. The bounds keep one transaction short.
inline constexpr std::size_t history_points_max = 1000;
inline constexpr std::chrono::days history_piece_max{732};
inline constexpr std::size_t history_name_max_bytes = 64;

/// Where a meter's history has to end: with the midnight before the day of its first booked reading, so that
/// no day holds both, and the register, which begins at that reading, is nothing of it.
[[nodiscard]] Instant history_end(Instant first_at, const CivilZone& zone);

/// The name that an import may have; fails with what is wrong with another.
[[nodiscard]] Result<void> judge_history_name(const std::string& import);

/// The entries between the points, but for those that reach over `end`. The differences telescope: their sum
/// is the last point's ticks less the first one's. Fails, in words for a person, where the points are no
/// readings of one register in order of time, or too many at once.
[[nodiscard]] Result<std::vector<HistoryEntry>> history_entries(const std::string& import,
                                                                std::span<const HistoryPoint> points,
                                                                Instant end, const CivilZone& zone);

/// Those of `entries` that are not among `booked` yet, which overlap them; told again they are no news. Fails
/// where one overlaps another.
[[nodiscard]] Result<std::vector<HistoryEntry>> history_news(const std::vector<HistoryEntry>& entries,
                                                             const std::vector<HistoryEntry>& booked,
                                                             const CivilZone& zone);

}  // namespace tickledger
