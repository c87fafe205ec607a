#include "store/history_table.hpp"

namespace tickledger {

HistoryTable::HistoryTable(Database& database)
    : overlapping_(database,
                   "SELECT from_us, to_us, ticks, import FROM history"
                   " WHERE meter = ?1 AND to_us > ?2 AND from_us < ?3 ORDER BY to_us"),
      begin_(database, "SELECT from_us FROM history WHERE meter = ?1 ORDER BY to_us LIMIT 1"),
      add_(database,
           "INSERT INTO history (meter, from_us, to_us, ticks, import) VALUES (?1, ?2, ?3, ?4, ?5)"),
      remove_(database, "DELETE FROM history WHERE meter = ?1 AND import = ?2") {}

Result<std::vector<HistoryEntry>> HistoryTable::overlapping(MeterKey meter, Span span) {
    Cursor cursor = overlapping_.run(meter, span.from, span.to);
    return rows_of(cursor, [](const Cursor& row) {
        return HistoryEntry{.span = {row.column<Instant>(0), row.column<Instant>(1)},
                            .ticks = row.column<std::int64_t>(2),
                            .import = row.column<std::string>(3)};
    });
}

Result<std::optional<Instant>> HistoryTable::begin(MeterKey meter) {
    Cursor cursor = begin_.run(meter);
    return cursor.next().map(
        [&](bool found) { return found ? std::optional(cursor.column<Instant>(0)) : std::nullopt; });
}

Result<void> HistoryTable::add(MeterKey meter, const HistoryEntry& entry) {
    return add_.run(meter, entry.span.from, entry.span.to, entry.ticks, entry.import).finish();
}

Result<void> HistoryTable::remove(MeterKey meter, const std::string& import) {
    return remove_.run(meter, import).finish();
}

}  // namespace tickledger
