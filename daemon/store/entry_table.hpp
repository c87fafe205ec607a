// The entries in SQLite, clustered by time: what the writer and the readers ask of them.
#pragma once

#include <functional>
#include <map>
#include <optional>
#include <vector>

#include "store/database.hpp"
#include "store/ledger.hpp"
#include "store/packed_reads.hpp"
#include "tickledger/entry.hpp"

namespace tickledger {

/// Questions about entries.
///
/// The key is (time, meter), so looking for one meter's next entry passes over those of the others. The table
/// entry_day says on which days a meter has entries at all, so that a meter which was silent for a year, or
/// was taken away, is not looked for in a year of other meters' entries. On a packed day the measured entries
/// lie in a block and the others are rows: both are read, in the key's order.
class EntryReads {
public:
    EntryReads(Database& database, PackedReads& packed);

    /// As Ledger::entry_at, entry_before and gap_of.
    [[nodiscard]] Result<std::optional<Entry>> holding(MeterKey meter, Instant t);
    [[nodiscard]] Result<std::optional<Entry>> last_ending_by(MeterKey meter, Instant t);
    [[nodiscard]] Result<std::optional<Entry>> gap_of(MeterKey meter, std::uint64_t boot, std::uint64_t seq);
    /// Every entry that touches the span: it shares more than an instant with it, or has no length and lies
    /// in (from, to]. In order of their ends, the longer first. `each` returns false to end.
    [[nodiscard]] Result<void> touching(MeterKey meter, Span span,
                                        const std::function<bool(const Entry&)>& each);

    /// Restart, preset and lost entries that touch the span, in order of their ends.
    [[nodiscard]] Result<std::vector<Entry>> unseen(MeterKey meter, Span span);

private:
    struct Days {
        std::int64_t first = 0;
        std::int64_t last = -1;
        std::optional<std::int64_t> last_packed{};
    };
    [[nodiscard]] Result<Days> days();
    [[nodiscard]] Result<bool> has_entries(std::int64_t day, MeterKey meter);
    /// The packed entries of a day; none where it is not packed.
    [[nodiscard]] Result<PackedReads::Found> packed(const Days& days, std::int64_t day, MeterKey meter);
    /// The first entry (no adjustment) that ends at or after the instant.
    [[nodiscard]] Result<std::optional<Entry>> first_ending_from(MeterKey meter, Instant t);
    /// Entries that end in the span and within the day. False: `each` has ended it.
    [[nodiscard]] Result<bool> ending_in(MeterKey meter, Span span, const PackedReads::Found& packed,
                                         const std::function<bool(const Entry&)>& each);
    /// Entries that touch the span and end after it, in order.
    [[nodiscard]] Result<std::vector<Entry>> reaching_beyond(MeterKey meter, Span span);

    PackedReads& packed_;
    Statement days_;
    Statement has_entries_;
    Statement forward_;
    Statement backward_;
    Statement within_;
    Statement adjustments_;
    Statement gaps_;
    Statement unseen_;
};

/// Changes to entries, of the one writer.
class EntryWrites {
public:
    explicit EntryWrites(Database& database);

    [[nodiscard]] Result<void> add(MeterKey meter, const Entry& entry);
    /// As Ledger::remove_entry. Of several that have this span (of no length, or adjustments), the one that
    /// is equal, or the first.
    [[nodiscard]] Result<void> remove(MeterKey meter, const Entry& entry);
    /// The number of the oldest UTC day that has entries.
    [[nodiscard]] Result<std::optional<std::int64_t>> oldest_day();
    /// As Ledger::remove_oldest_day, as far as entries go: the end of the day that was removed.
    [[nodiscard]] Result<std::optional<Instant>> remove_oldest_day(Instant before);
    /// A transaction was rolled back: what is remembered of the tables may be wrong.
    void forget() { last_day_.clear(); }

private:
    [[nodiscard]] Result<void> mark_day(MeterKey meter, Instant end);

    Database& database_;
    Statement insert_first_;
    Statement insert_another_;
    Statement same_span_;
    Statement delete_;
    Statement close_up_;
    Statement mark_day_;
    Statement oldest_day_;
    Statement delete_until_;
    Statement unmark_until_;
    /// The day last marked for a meter: entries come in order, so this saves nearly every look-up.
    std::map<MeterKey, std::int64_t> last_day_;
};

}  // namespace tickledger
