// From entries to rows: whole ticks into intervals, so that every sum stays exact.
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

/// Divides an entry over the intervals that it touches, in proportion to time, in whole ticks by largest
/// remainder (ties: the earlier interval first). A span of no length falls into the interval
/// (a, b] that holds its instant. An entry that covers nothing and has no ticks has no shares.
/// The shares come in order of time; their ticks add up to the entry's. `shares` is cleared first.
void apportion(const Entry& entry, RowFinder& rows, std::vector<Share>& shares);

/// Sums the shares of intervals into rows of a coarser step; what comes from a span longer than such a
/// row is spread there. `coarser` is cleared first.
void roll_up(const Entry& entry, const std::vector<Share>& intervals, Step step, RowFinder& rows,
             std::vector<Share>& coarser);

}  // namespace tickledger
