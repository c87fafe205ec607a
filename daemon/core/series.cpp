#include "tickledger/series.hpp"

#include <algorithm>

namespace tickledger {

namespace {

__extension__ using Wide = unsigned __int128;

/// ticks · part / whole in whole ticks, and the rest in units of 1 / whole of a tick.
struct Quota {
    std::uint64_t ticks = 0;
    std::int64_t remainder = 0;
};

Quota quota_of(std::uint64_t ticks, Duration part, Duration whole) {
    const auto divisor = static_cast<std::uint64_t>(whole.count());
    std::uint64_t product = 0;
    // The product nearly always fits 64 bits, and a 64-bit division is several times faster.
    if (!__builtin_mul_overflow(ticks, static_cast<std::uint64_t>(part.count()), &product)) {
        return {product / divisor, static_cast<std::int64_t>(product % divisor)};
    }
    const Wide wide_product = Wide{ticks} * static_cast<std::uint64_t>(part.count());
    return {static_cast<std::uint64_t>(wide_product / divisor),
            static_cast<std::int64_t>(wide_product % divisor)};
}

/// Cuts the span at the rows' ends. The shares have no ticks yet.
void cut(Span span, bool covers, RowFinder& rows, std::vector<Share>& shares) {
    Instant t = span.from;
    while (t < span.to) {
        const Span row = rows.row_at(Step::interval, t);
        shares.push_back({.row = row, .covered = covers ? overlap(span, row).length() : Duration{0}});
        t = row.to;
    }
}

/// Gives out `ticks` by largest remainder. Keeps each share's remainder in `spread_ticks` meanwhile, so that
/// no other memory is needed.
void give_out(Span span, std::uint64_t ticks, std::vector<Share>& shares) {
    std::uint64_t left = ticks;
    for (Share& share : shares) {
        const Quota quota = quota_of(ticks, overlap(span, share.row).length(), span.length());
        share.ticks = static_cast<std::int64_t>(quota.ticks);
        share.spread_ticks = quota.remainder;
        left -= quota.ticks;
    }
    if (left == 0) return;
    // Fewer ticks are left than there are shares, because each remainder is less than a tick.
    const auto last_winner = shares.begin() + static_cast<std::ptrdiff_t>(left);
    const auto wins_over = [](const Share& a, const Share& b) {
        return a.spread_ticks != b.spread_ticks ? a.spread_ticks > b.spread_ticks : a.row < b.row;
    };
    std::nth_element(shares.begin(), last_winner, shares.end(), wins_over);
    std::for_each(shares.begin(), last_winner, [](Share& share) { ++share.ticks; });
    std::sort(shares.begin(), shares.end(), [](const Share& a, const Share& b) { return a.row < b.row; });
}

}  // namespace

void apportion(const Entry& entry, RowFinder& rows, std::vector<Share>& shares) {
    shares.clear();
    const Span span = entry.span;
    const std::int64_t ticks = entry.ticks_known() ? entry.ticks : 0;
    const bool has_length = span.from < span.to;
    if (ticks == 0 && !(entry.covers() && has_length)) return;

    const Span last_row = rows.row_ending_at_or_after(Step::interval, span.to);
    if (!has_length || span.from >= last_row.from) {
        const Duration covered = entry.covers() && has_length ? span.length() : Duration{0};
        shares.push_back({.row = last_row, .ticks = ticks, .covered = covered});
        return;
    }

    cut(span, entry.covers(), rows, shares);
    if (ticks == 0) return;
    const std::uint64_t magnitude =
        ticks < 0 ? 0 - static_cast<std::uint64_t>(ticks) : static_cast<std::uint64_t>(ticks);
    give_out(span, magnitude, shares);
    for (Share& share : shares) {
        if (ticks < 0) share.ticks = -share.ticks;
        share.spread_ticks = span.length() > share.row.length() ? share.ticks : 0;
    }
}

void roll_up(const Entry& entry, const std::vector<Share>& intervals, Step step, RowFinder& rows,
             std::vector<Share>& coarser) {
    coarser.clear();
    for (const Share& share : intervals) {
        if (coarser.empty() || share.row.to > coarser.back().row.to) {
            coarser.push_back({.row = rows.row_ending_at_or_after(step, share.row.to)});
        }
        Share& sum = coarser.back();
        sum.ticks += share.ticks;
        sum.covered += share.covered;
    }
    for (Share& sum : coarser) {
        if (entry.span.length() > sum.row.length()) sum.spread_ticks = sum.ticks;
    }
}

}  // namespace tickledger
