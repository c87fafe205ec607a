// An entry as a row of the table `entry`: code that EntryReads, EntryWrites and DayPacker share.
#pragma once

#include <optional>
#include <vector>

#include "store/ledger.hpp"
#include "store/numbered_entry.hpp"
#include "store/statement.hpp"
#include "tickledger/entry.hpp"

namespace tickledger {

/// The columns that entry_of() reads. They come first in a SELECT.
#define ENTRY_COLUMNS \
    "to_us, length_us, ticks, kind, placed, unseen_max, begin_count, end_count, end_boot, end_seq, n"
inline constexpr int entry_column_count = 11;

/// The statement must continue with ?12 or another value for `n`, the entry's number among those of its span,
/// and with ")".
#define INTO_ENTRY                                                                                   \
    " INTO entry (to_us, meter, length_us, ticks, kind, placed, unseen_max, begin_count, end_count," \
    " end_boot, end_seq, n) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, "

[[nodiscard]] Result<NumberedEntry> entry_of(const Cursor& cursor);
/// The entry of the next row. Nothing: there is none.
[[nodiscard]] Result<std::optional<NumberedEntry>> next_entry(Cursor& cursor);

/// The entries of a row of the table `entry_group`, whose columns are to_us, meter, block.
[[nodiscard]] Result<std::vector<NumberedEntry>> group_of(const Cursor& cursor, const Database& database);

/// The count at the entry's beginning, as stored. Nothing if the end count and the ticks give it.
[[nodiscard]] std::optional<std::uint64_t> stored_begin_count(const Entry& entry);

/// Runs an INSERT that ends in INTO_ENTRY. `more` gives the values of ?12 and those after it.
template <typename... More>
[[nodiscard]] Result<void> insert_entry(Statement& statement, MeterKey meter, const Entry& entry,
                                        const More&... more) {
    return statement
        .run(entry.span.to, meter, entry.span.length(), entry.ticks, entry.kind, entry.time_estimated,
             entry.unseen_max, stored_begin_count(entry), entry.end.count, entry.end.boot, entry.end.seq,
             more...)
        .finish();
}

/// Adds rows.
class EntryRows {
public:
    explicit EntryRows(Database& database);
    /// With the next free number among those of its span.
    [[nodiscard]] Result<void> add(MeterKey meter, const Entry& entry);
    /// With the number that it had. If a row of its span has that number, with the next free one.
    [[nodiscard]] Result<void> put_back(MeterKey meter, const NumberedEntry& numbered);

private:
    Database& database_;
    Statement insert_first_;
    Statement insert_another_;
    Statement put_back_;
};

}  // namespace tickledger
