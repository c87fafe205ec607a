#include "book/history_desk.hpp"

#include <algorithm>
#include <vector>

#include "book/store_failure.hpp"

namespace tickledger {

namespace {

/// People's records are not finer. Intervals are removed together with the entries of their day, which
/// history does not have.
constexpr Detail history_detail = Detail::hours;

Entry measured(const HistoryEntry& told) {
    Entry entry;
    entry.span = told.span;
    entry.ticks = told.ticks;
    return entry;
}

std::vector<Entry> measured(const std::vector<HistoryEntry>& told) {
    std::vector<Entry> entries;
    entries.reserve(told.size());
    for (const HistoryEntry& one : told)
        entries.push_back(measured(one));
    return entries;
}

}  // namespace

void HistoryDesk::book(Account& account, const std::string& import, std::span<const HistoryPoint> points) {
    const auto& first_at = account.memory().meter_register.first_at;
    if (!first_at) return;
    const auto entries = history_entries(import, points, history_end(*first_at, zone_), zone_);
    if (!entries || entries->empty()) return;
    const Span told{entries->front().span.from, entries->back().span.to};
    const auto news = history_news(*entries, value_or_throw(ledger_.history(account.key, told)), zone_);
    if (!news || news->empty()) return;
    for (const HistoryEntry& entry : *news)
        value_or_throw(ledger_.add_history(account.key, entry));
    rows_.change(account, {}, measured(*news), history_detail);
}

void HistoryDesk::undo(Account& account, const std::string& import) {
    auto told = value_or_throw(ledger_.history(account.key, {Instant::min(), Instant::max()}));
    std::erase_if(told, [&](const HistoryEntry& entry) { return entry.import != import; });
    if (told.empty()) return;
    value_or_throw(ledger_.remove_history(account.key, import));
    // If nothing touches a row any more, nothing is known about it. That is not the same as no water, so the
    // row goes.
    std::vector<RowKey> empty;
    for (const ChangedRow& row : rows_.change(account, measured(told), {}, history_detail)) {
        const bool has_nothing =
            row.row.ticks == 0 && row.row.spread_ticks == 0 && row.row.covered == Duration{0};
        if (has_nothing) empty.push_back(row.key);
    }
    rows_.flush();
    for (const RowKey& key : empty)
        value_or_throw(ledger_.remove_row(key));
    RowCache::forget(account);
}

}  // namespace tickledger
