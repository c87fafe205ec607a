#include "store/register_table.hpp"

namespace tickledger {

RegisterTable::RegisterTable(Database& database)
    : readings_(database,
                "SELECT at_us, register_ul, given_to_ul, turns, starts, ticks_before, ticks_within,"
                " adjusted_from_us, adjustment_ticks FROM register_reading WHERE meter = ?1 ORDER BY at_us"),
      put_(database,
           "INSERT OR REPLACE INTO register_reading (meter, at_us, register_ul, given_to_ul, turns, starts,"
           " ticks_before, ticks_within, adjusted_from_us, adjustment_ticks)"
           " VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)"),
      remove_(database, "DELETE FROM register_reading WHERE meter = ?1 AND at_us = ?2") {}

Result<std::vector<RegisterReading>> RegisterTable::readings(MeterKey meter) {
    Cursor cursor = readings_.run(meter);
    return rows_of(cursor, [](const Cursor& row) {
        return RegisterReading{.at = row.column<Instant>(0),
                               .register_ul = row.column<std::int64_t>(1),
                               .given_to_ul = row.column<std::int64_t>(2),
                               .turns = row.column<std::int64_t>(3),
                               .starts = row.column<bool>(4),
                               .ticks_before = row.column<std::int64_t>(5),
                               .ticks_within = row.column<std::int64_t>(6),
                               .adjusted_from = row.column<Instant>(7),
                               .adjustment_ticks = row.column<std::int64_t>(8)};
    });
}

Result<void> RegisterTable::put(MeterKey meter, const RegisterReading& reading) {
    return put_
        .run(meter, reading.at, reading.register_ul, reading.given_to_ul, reading.turns, reading.starts,
             reading.ticks_before, reading.ticks_within, reading.adjusted_from, reading.adjustment_ticks)
        .finish();
}

Result<void> RegisterTable::remove(MeterKey meter, Instant at) {
    return remove_.run(meter, at).finish();
}

}  // namespace tickledger
