#include "book/row_cache.hpp"

#include <algorithm>
#include <tuple>
#include <utility>

#include "book/store_failure.hpp"

namespace tickledger {

namespace {

constexpr std::array all_steps{Step::interval, Step::hour, Step::day, Step::month, Step::year};

/// Rows that no entry has reached yet are not looked up in the ledger, because each reading of a slow node
/// begins one. Booked spans end in the interval that begins at `closed_until`, and adjustments end at
/// readings by eye.
bool may_be_stored(const AccountMemory& memory, Instant start) {
    const auto& read_at = memory.meter_register.read_by_eye_at;
    return !memory.closed_until || start <= *memory.closed_until || (read_at && start <= *read_at);
}

}  // namespace

std::size_t RowCache::Hash::operator()(const RowKey& key) const {
    auto mixed = static_cast<std::uint64_t>(microseconds_of(key.start)) * 0x9E3779B97F4A7C15U;
    mixed ^= (static_cast<std::uint64_t>(key.meter) << 3 | static_cast<std::uint64_t>(key.step)) *
             0xC2B2AE3D27D4EB4FU;
    return static_cast<std::size_t>(mixed ^ (mixed >> 29));
}

std::optional<Row> RowCache::row(const Account& account, Step step, Instant start) {
    const OpenRow& at_hand = account.open_row(step);
    if (at_hand.start == start) return at_hand.row;
    const RowKey key{account.key, step, start};
    if (const auto found = left_.find(key); found != left_.end()) return found->second.row;
    return value_or_throw(ledger_.row(key));
}

TicksOfRow RowCache::ticks_of(const Account& account) {
    return [this, &account](Step step, Instant start) -> Result<std::int64_t> {
        const auto found = row(account, step, start);
        return found ? found->ticks : 0;
    };
}

OpenRow& RowCache::open(Account& account, const RowKey& key) {
    OpenRow& at_hand = account.open_row(key.step);
    if (at_hand.start == key.start) return at_hand;
    if (at_hand.start) left_.insert_or_assign({key.meter, key.step, *at_hand.start}, at_hand);
    at_hand = {};  // If the ledger fails, no row is open.
    if (const auto found = left_.find(key); found != left_.end()) {
        at_hand = found->second;
        left_.erase(found);
        if (at_hand.is_changed) touched_.emplace_back(&account, key.step);
    } else if (may_be_stored(account.memory(), key.start)) {
        at_hand.row = value_or_throw(ledger_.row(key));
    }
    at_hand.start = key.start;
    return at_hand;
}

void RowCache::collect(Account& account, const Entry& entry, int sign) {
    apportion(entry, account.rows, intervals_);
    for (const Step step : all_steps) {
        if (step != Step::interval) roll_up(entry, intervals_, step, account.rows, coarser_);
        for (Share share : step == Step::interval ? intervals_ : coarser_) {
            share.ticks *= sign;
            share.spread_ticks *= sign;
            share.covered *= sign;
            deltas_.push_back({{account.key, step, share.row.from}, share});
        }
    }
}

const std::vector<ChangedRow>& RowCache::change(Account& account, std::span<const Entry> removed,
                                                std::span<const Entry> added, Detail detail) {
    deltas_.clear();
    changed_.clear();
    for (const Entry& entry : removed)
        collect(account, entry, -1);
    for (const Entry& entry : added)
        collect(account, entry, 1);
    std::sort(deltas_.begin(), deltas_.end(), [](const Delta& a, const Delta& b) { return a.key < b.key; });

    for (std::size_t i = 0; i < deltas_.size();) {
        Row sum;
        const RowKey key = deltas_[i].key;
        const Span span = deltas_[i].share.row;
        for (; i < deltas_.size() && deltas_[i].key == key; ++i) {
            sum.ticks += deltas_[i].share.ticks;
            sum.covered += deltas_[i].share.covered;
            sum.spread_ticks += deltas_[i].share.spread_ticks;
        }
        if (sum == Row{}) continue;
        const auto& closed_until = account.memory().closed_until;
        const bool was_closed = closed_until && span.to <= *closed_until;
        const bool is_removed = was_closed && fine_detail_from_ && span.to <= *fine_detail_from_;
        if (key.step == Step::interval && (detail == Detail::hours || is_removed)) continue;
        OpenRow& stored = open(account, key);
        if (!stored.row) stored.row.emplace();
        stored.row->ticks += sum.ticks;
        stored.row->covered += sum.covered;
        stored.row->spread_ticks += sum.spread_ticks;
        if (was_closed) ++stored.row->revision;
        if (!stored.is_changed) touched_.emplace_back(&account, key.step);
        stored.is_changed = true;
        changed_.push_back({key, span, *stored.row, was_closed});
    }
    return changed_;
}

void RowCache::flush() {
    std::vector<std::pair<RowKey, Row>> rows;
    rows.reserve(left_.size() + touched_.size());
    for (const auto& [key, left] : left_) {
        if (left.is_changed) rows.emplace_back(key, *left.row);
    }
    // This also frees its memory: the room for a batch of ten thousand meters is not kept for small batches.
    for (const auto& [account, step] : std::exchange(touched_, {})) {
        OpenRow& at_hand = account->open_row(step);
        if (!std::exchange(at_hand.is_changed, false)) continue;
        rows.emplace_back(RowKey{account->key, step, *at_hand.start}, *at_hand.row);
    }
    // In the order of the table's key, so that neighbours are written together.
    std::sort(rows.begin(), rows.end(), [](const auto& a, const auto& b) {
        return std::tie(a.first.step, a.first.start, a.first.meter) <
               std::tie(b.first.step, b.first.start, b.first.meter);
    });
    for (const auto& [key, row] : rows)
        value_or_throw(ledger_.put_row(key, row));
    left_ = {};
}

void RowCache::forget() {
    left_ = {};
    touched_.clear();
}

}  // namespace tickledger
