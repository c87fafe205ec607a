// The entries in SQLite, clustered by time: what the writer and the readers ask for. Changes are in
// store/entry_writes.hpp.
#pragma once

#include <functional>
#include <optional>
#include <vector>

#include "store/ledger.hpp"
#include "store/packed_reads.hpp"
#include "store/statement.hpp"
#include "tickledger/entry.hpp"

namespace tickledger {

/// Queries for entries.
///
/// The key is (time, meter), so a search for one meter's next entry passes over those of the others. The
/// table entry_day lists the days on which a meter has entries. It saves searching a year of other meters'
/// entries for a meter that was silent for a year or was removed. On a packed day the measured entries are in
/// a block and the others are rows. On other days some are in groups. All are read, in the order of the key.
class EntryReads {
public:
    EntryReads(Database& database, PackedReads& packed);

    /// As Ledger::entry_at, entry_before and gap_of.
    [[nodiscard]] Result<std::optional<Entry>> holding(MeterKey meter, Instant t);
    [[nodiscard]] Result<std::optional<Entry>> last_ending_by(MeterKey meter, Instant t);
    [[nodiscard]] Result<std::optional<Entry>> gap_of(MeterKey meter, std::uint64_t boot, std::uint64_t seq);
    /// Calls `each` for every entry that touches the span: it shares more than an instant with the span, or
    /// has no length and is in (from, to]. In order of their ends, the longer ones first. `each` returns
    /// false to stop.
    [[nodiscard]] Result<void> touching(MeterKey meter, Span span,
                                        const std::function<bool(const Entry&)>& each);

    /// Restart, preset and lost entries that touch the span, in order of their ends.
    [[nodiscard]] Result<std::vector<Entry>> unseen(MeterKey meter, Span span);

private:
    struct Days {
        std::int64_t first = 0;
        std::int64_t last = -1;
        std::optional<std::int64_t> last_packed{};
        /// Days that have groups are between these two, inclusive.
        std::optional<std::int64_t> first_grouped{};
        std::optional<std::int64_t> last_grouped{};
        [[nodiscard]] bool has_groups(std::int64_t day) const {
            return first_grouped && last_grouped && day >= *first_grouped && day <= *last_grouped;
        }
    };
    [[nodiscard]] Result<Days> days();
    [[nodiscard]] Result<bool> has_entries(std::int64_t day, MeterKey meter);
    /// The packed entries of a day; null if it is not packed.
    [[nodiscard]] Result<PackedReads::Found> packed(const Days& days, std::int64_t day, MeterKey meter);
    /// The first entry (not an adjustment) that ends at or after the instant.
    [[nodiscard]] Result<std::optional<Entry>> first_ending_from(MeterKey meter, Instant t);
    /// Among the entries of a day that are not rows: the first that ends at or after the instant, and the
    /// last that ends at or before it.
    [[nodiscard]] Result<std::optional<NumberedEntry>> first_compact(const Days& days, std::int64_t day,
                                                                     MeterKey meter, Instant t);
    [[nodiscard]] Result<std::optional<NumberedEntry>> last_compact(const Days& days, std::int64_t day,
                                                                    MeterKey meter, Instant t);
    /// The entries of the next group. Empty: there is none.
    [[nodiscard]] Result<std::vector<NumberedEntry>> next_group(Cursor& groups) const;
    /// Calls `each` for the entries that end in the span, which is within one day. False: `each` stopped it.
    [[nodiscard]] Result<bool> ending_in(MeterKey meter, Span span, const PackedReads::Found& packed,
                                         bool has_groups, const std::function<bool(const Entry&)>& each);
    /// Entries that touch the span and end after it, in order.
    [[nodiscard]] Result<std::vector<Entry>> reaching_beyond(MeterKey meter, Span span);

    Database& database_;
    PackedReads& packed_;
    Statement days_;
    Statement has_entries_;
    Statement forward_;
    Statement backward_;
    Statement within_;
    Statement groups_;
    Statement last_group_;
    Statement adjustments_;
    Statement gaps_;
    Statement unseen_;
};

}  // namespace tickledger
