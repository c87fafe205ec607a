// Changes to entries, of the one writer.
#pragma once

#include <limits>
#include <optional>
#include <span>
#include <unordered_map>
#include <vector>

#include "store/entry_group.hpp"
#include "store/entry_row.hpp"
#include "store/ledger.hpp"
#include "store/statement.hpp"
#include "tickledger/entry.hpp"

namespace tickledger {

/// Adds entries, and takes them away.
///
/// Measured entries of one meter that come one after the other within a transaction wait in memory and become
/// one row, a group: a tenth of the bytes, and a fifth of the time. A meter that is heard once in a
/// transaction gets a plain row. The groups of a meter follow one another in time; an entry that comes later
/// than one behind it is a row. Whoever is to read a meter's entries within the transaction calls write()
/// first, or asks for what waits.
class EntryWrites {
public:
    explicit EntryWrites(Database& database);

    [[nodiscard]] Result<void> add(MeterKey meter, const Entry& entry);
    /// As Ledger::remove_entry. Of several that have this span (of no length, or adjustments), the one that
    /// is equal, or the first.
    [[nodiscard]] Result<void> remove(MeterKey meter, const Entry& entry);
    /// As Ledger::replace_entry.
    [[nodiscard]] Result<void> replace(MeterKey meter, const Entry& entry, std::span<const Entry> parts);
    /// The newest entry that waits, if it holds this moment inside. It can be removed without writing what
    /// waits: messages that come late, one after the other, each divide what the one before it left.
    [[nodiscard]] std::optional<Entry> waiting_around(MeterKey meter, Instant t) const;
    /// The entry before that one, if it waits too, and this moment divides them.
    [[nodiscard]] std::optional<Entry> waiting_before(MeterKey meter, Instant t) const;
    /// What waits in memory of a meter is written, where any of it ends by this moment.
    [[nodiscard]] Result<void> write_ending_by(MeterKey meter, Instant t);
    /// What waits in memory of a meter, or of all, is written.
    [[nodiscard]] Result<void> write(MeterKey meter);
    [[nodiscard]] Result<void> write_all();
    /// The number of the oldest UTC day that has entries.
    [[nodiscard]] Result<std::optional<std::int64_t>> oldest_day();
    /// As Ledger::remove_oldest_day, as far as entries go: the end of the day that was removed.
    /// Precondition: nothing waits.
    [[nodiscard]] Result<std::optional<Instant>> remove_oldest_day(Instant before);
    /// A transaction was rolled back: what waits is dropped, and what is remembered of the tables may be
    /// wrong.
    void forget();

private:
    [[nodiscard]] Result<void> mark_day(MeterKey meter, Instant end);
    /// No group of the meter ends after this; it is no earlier than `from`.
    [[nodiscard]] Result<Instant> grouped_until(MeterKey meter, Instant from);
    [[nodiscard]] Result<void> put(MeterKey meter, const EntryGroup& group);
    /// Makes rows of the group, if any, that an entry which ends then would lie in.
    [[nodiscard]] Result<void> make_rows(MeterKey meter, Instant end);
    /// The rows of that end and length, in the order in which they were added.
    [[nodiscard]] Result<std::vector<NumberedEntry>> at_instant(MeterKey meter, Instant end, Duration length,
                                                                bool are_adjustments);
    [[nodiscard]] Result<void> remove(MeterKey meter, const NumberedEntry& numbered);

    Database& database_;
    EntryRows rows_;
    Statement same_span_;
    Statement delete_;
    Statement close_up_;
    Statement mark_day_;
    Statement oldest_day_;
    Statement delete_until_;
    Statement delete_groups_until_;
    Statement unmark_until_;
    Statement put_group_;
    Statement group_from_;
    Statement delete_group_;
    Statement last_group_after_;
    /// What is remembered of the tables.
    struct Known {
        /// The day last marked: entries come in order, so this saves nearly every look-up.
        std::int64_t marked_day = std::numeric_limits<std::int64_t>::min();
        /// As grouped_until() says, where it is more than the least: of the others no group ends after
        /// newest_group_.
        Instant grouped_until = Instant::min();
    };
    std::unordered_map<MeterKey, Known> known_;
    std::optional<Instant> newest_group_;
    /// What waits of a meter: a group, and behind it the newest entry, which may still be taken away.
    struct Waiting {
        EntryGroup group;
        std::optional<Entry> newest;
        /// The span of the entry that was removed last: nothing lies inside it but what was added since.
        std::optional<Span> cleared;
    };
    /// Of what waits, one or two groups; nothing is left of it.
    [[nodiscard]] static std::vector<EntryGroup> groups_of(Waiting& waiting);
    std::unordered_map<MeterKey, Waiting> waiting_;
};

}  // namespace tickledger
