// From entries to the rows of a series. Ticks stay whole, so every sum is exact.
#pragma once

#include <cstdint>
#include <functional>
#include <vector>

#include "tickledger/civil.hpp"
#include "tickledger/entry.hpp"

namespace tickledger {

/// What one entry adds to one row.
struct Share {
    Span row;
    std::int64_t ticks = 0;
    Duration covered{};
    std::int64_t spread_ticks = 0;
};

/// Divides an entry over the intervals that it touches, in proportion to time. Ticks stay whole, by largest
/// remainder (ties: the earlier interval first). A span of no length falls into the interval (a, b] that
/// holds its instant. An entry that covers nothing and has no ticks has no shares.
///
/// The shares come in order of time, and their ticks add up to the entry's. `shares` is cleared first.
void apportion(const Entry& entry, RowFinder& rows, std::vector<Share>& shares);

/// Sums the shares of intervals into rows of a coarser step. If the entry is longer than such a row, all its
/// ticks there count as spread. `coarser` is cleared first.
void roll_up(const Entry& entry, const std::vector<Share>& intervals, Step step, RowFinder& rows,
             std::vector<Share>& coarser);

}  // namespace tickledger
