#include "book/rows.hpp"

#include <algorithm>

#include "book/store_failure.hpp"

namespace tickledger {

namespace {

constexpr std::array all_steps{Step::interval, Step::hour, Step::day, Step::month, Step::year};

// Where more rows than this are in memory, only those of the last batch stay: the open ones are among them.
constexpr std::size_t kept_rows_max = 20'000;

}  // namespace

std::size_t Rows::Hash::operator()(const RowKey& key) const {
    auto mixed = static_cast<std::uint64_t>(microseconds_of(key.start)) * 0x9E3779B97F4A7C15U;
    mixed ^= (static_cast<std::uint64_t>(key.meter) << 3 | static_cast<std::uint64_t>(key.step)) *
             0xC2B2AE3D27D4EB4FU;
    return static_cast<std::size_t>(mixed ^ (mixed >> 29));
}

Rows::Kept& Rows::kept_row(const RowKey& key) {
    const auto found = rows_.find(key);
    if (found != rows_.end()) return found->second;
    return rows_.emplace(key, Kept{kept(ledger_.row(key)), false}).first->second;
}

std::optional<Row> Rows::row(const RowKey& key) {
    return kept_row(key).row;
}

void Rows::collect(Account& account, const Entry& entry, int sign) {
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

const std::vector<ChangedRow>& Rows::change(Account& account, std::span<const Entry> removed,
                                            std::span<const Entry> added,
                                            std::optional<Instant> fine_detail_from) {
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
        if (key.step == Step::interval && fine_detail_from && span.to <= *fine_detail_from) continue;
        Kept& stored = kept_row(key);
        if (!stored.row) stored.row.emplace();
        const auto& closed_until = account.memory.closed_until;
        const bool was_closed = closed_until && span.to <= *closed_until;
        stored.row->ticks += sum.ticks;
        stored.row->covered += sum.covered;
        stored.row->spread_ticks += sum.spread_ticks;
        if (was_closed) ++stored.row->revision;
        if (!stored.is_changed) changed_keys_.push_back(key);
        stored.is_changed = true;
        changed_.push_back({key, span, *stored.row, was_closed});
    }
    return changed_;
}

void Rows::flush() {
    if (rows_.size() > kept_rows_max)
        std::erase_if(rows_, [](const auto& row) { return !row.second.is_changed; });
    // In the order of the table's key, so that neighbours are written together.
    std::sort(changed_keys_.begin(), changed_keys_.end(), [](const RowKey& a, const RowKey& b) {
        return std::tie(a.step, a.start, a.meter) < std::tie(b.step, b.start, b.meter);
    });
    for (const RowKey& key : changed_keys_) {
        Kept& stored = rows_.at(key);
        kept(ledger_.put_row(key, *stored.row));
        stored.is_changed = false;
    }
    changed_keys_.clear();
}

void Rows::forget() {
    rows_.clear();
    changed_keys_.clear();
}

}  // namespace tickledger
