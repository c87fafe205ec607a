// Changes to entries. Used by the one writer only.
#pragma once

#include <boost/unordered/unordered_flat_map.hpp>
#include <limits>
#include <optional>
#include <span>
#include <vector>

#include "store/entry_group.hpp"
#include "store/entry_row.hpp"
#include "store/ledger.hpp"
#include "store/statement.hpp"
#include "tickledger/entry.hpp"

namespace tickledger {

/// Adds entries and removes them.
///
/// Measured entries of one meter that come one after the other within a transaction wait in memory. They
/// become one row, a group, which takes a tenth of the bytes and a fifth of the time. A meter that is heard
/// once in a transaction gets a plain row. The groups of a meter follow one another in time. An entry that
/// arrives after one that is later in time becomes a plain row. Before a meter's entries are read within the
/// transaction, call write(), or ask for those that wait.
class EntryWrites {
public:
    explicit EntryWrites(Database& database);

    [[nodiscard]] Result<void> add(MeterKey meter, const Entry& entry);
    /// As Ledger::remove_entry. If several have this span (without length, or adjustments), removes the equal
    /// one, or else the first.
    [[nodiscard]] Result<void> remove(MeterKey meter, const Entry& entry);
    /// As Ledger::replace_entry.
    [[nodiscard]] Result<void> replace(MeterKey meter, const Entry& entry, std::span<const Entry> parts);
    /// The newest waiting entry, if this moment is inside it. It can be removed without writing what waits.
    /// This serves late messages that come one after the other, each of which divides what the one before it
    /// left.
    [[nodiscard]] std::optional<Entry> waiting_around(MeterKey meter, Instant t) const;
    /// The entry before that one, if it waits too and this moment divides the two.
    [[nodiscard]] std::optional<Entry> waiting_before(MeterKey meter, Instant t) const;
    /// Writes what waits of a meter, if any of it ends at or before this moment.
    [[nodiscard]] Result<void> write_ending_by(MeterKey meter, Instant t);
    /// Writes what waits of a meter, or of all.
    [[nodiscard]] Result<void> write(MeterKey meter);
    [[nodiscard]] Result<void> write_all();
    /// The number of the oldest UTC day that has entries.
    [[nodiscard]] Result<std::optional<std::int64_t>> oldest_day();
    /// The part of Ledger::remove_oldest_day that concerns entries. Returns the end of the removed day.
    /// Precondition: nothing waits.
    [[nodiscard]] Result<std::optional<Instant>> remove_oldest_day(Instant before);
    /// Call it after a rollback: drops what waits, and what is remembered of the tables, which may be wrong
    /// then.
    void forget();

private:
    [[nodiscard]] Result<void> mark_day(MeterKey meter, Instant end);
    /// No group of the meter ends after the returned moment. `from`: where the search begins.
    [[nodiscard]] Result<Instant> grouped_until(MeterKey meter, Instant from);
    [[nodiscard]] Result<void> put(MeterKey meter, const EntryGroup& group);
    /// If an entry that ends at `end` would fall into a group, turns that group into rows.
    [[nodiscard]] Result<void> make_rows(MeterKey meter, Instant end);
    /// The rows with that end and length, in the order in which they were added.
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
        /// The day that was marked last. Entries come in order, so this saves nearly every look-up.
        std::int64_t marked_day = std::numeric_limits<std::int64_t>::min();
        /// The result of grouped_until(), if it is more than the least Instant. For the other meters, no
        /// group ends after newest_group_.
        Instant grouped_until = Instant::min();
    };
    boost::unordered_flat_map<MeterKey, Known> known_;
    std::optional<Instant> newest_group_;
    /// What waits of a meter: a group, and after it the newest entry, which may still be removed.
    struct Waiting {
        EntryGroup group;
        std::optional<Entry> newest;
        /// The span of the entry that was removed last. Only entries added since are inside it.
        std::optional<Span> cleared;
    };
    /// Turns what waits into at most two groups, and leaves nothing of it.
    [[nodiscard]] static std::vector<EntryGroup> groups_of(Waiting& waiting);
    boost::unordered_flat_map<MeterKey, Waiting> waiting_;
};

}  // namespace tickledger
