// Rules for history: what may be told about the time before a meter's first reading, and which entries it
// becomes. The API applies the rules to answer a person, and booking applies them again. So an instruction
// has the same effect whenever it is read.
#pragma once

#include <cstdint>
#include <span>
#include <string>
#include <vector>

#include "store/history.hpp"
#include "tickledger/civil.hpp"
#include "tickledger/result.hpp"

namespace tickledger {

/// A reading from the past: the whole ticks in its cumulative volume.
struct HistoryPoint {
    Instant at{};
    std::int64_t ticks = 0;
};

/// The readings of one piece follow one another without a gap. These limits keep one transaction short.
inline constexpr std::size_t history_points_max = 1000;
inline constexpr std::chrono::days history_piece_max{732};
inline constexpr std::size_t history_name_max_bytes = 64;

/// Where a meter's history must end: at the midnight before its first booked reading. So no day holds both,
/// and the register, which begins at that reading, contains no history.
[[nodiscard]] Instant history_end(Instant first_at, const CivilZone& zone);

/// Checks the name of an import. Fails with what is wrong with it.
[[nodiscard]] Result<void> judge_history_name(const std::string& import);

/// The entries between the points, without those that end after `end`. Their ticks are differences, so the
/// sum is the last point's ticks minus the first one's. Fails, in words for a person, if the points are not
/// readings of one register in order of time, or too many at once.
[[nodiscard]] Result<std::vector<HistoryEntry>> history_entries(const std::string& import,
                                                                std::span<const HistoryPoint> points,
                                                                Instant end, const CivilZone& zone);

/// Those of `entries` that are not booked yet. `booked`: the booked entries that overlap them. An identical
/// entry is no news. Fails if an entry overlaps a different one.
[[nodiscard]] Result<std::vector<HistoryEntry>> history_news(const std::vector<HistoryEntry>& entries,
                                                             const std::vector<HistoryEntry>& booked,
                                                             const CivilZone& zone);

}  // namespace tickledger
