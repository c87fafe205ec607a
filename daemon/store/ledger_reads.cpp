#include "store/ledger_reads.hpp"

namespace tickledger {
namespace {

/// Reads the columns key, id, state.
MeterRecord meter_of(const Cursor& cursor) {
    return {cursor.column<MeterKey>(0), cursor.column<std::string>(1), cursor.column<std::string>(2)};
}

}  // namespace

LedgerReads::LedgerReads(Database& database, PackedReads& packed)
    : database_(database),
      packed_(packed),
      meters_(database, "SELECT key, id, state FROM meter ORDER BY key"),
      meter_(database, "SELECT key, id, state FROM meter WHERE id = ?1"),
      fact_(database, "SELECT value FROM fact WHERE name = ?1"),
      row_(database,
           "SELECT ticks, covered_us, spread_ticks, revision FROM usage_row"
           " WHERE step = ?1 AND start_us = ?2 AND meter = ?3") {}

Result<std::vector<MeterRecord>> LedgerReads::meters() {
    Cursor cursor = meters_.run();
    return rows_of(cursor, meter_of);
}

Result<std::optional<MeterRecord>> LedgerReads::meter(const std::string& id) {
    Cursor cursor = meter_.run(id);
    return cursor.next().map(
        [&](bool found) { return found ? std::optional(meter_of(cursor)) : std::nullopt; });
}

Result<std::optional<std::string>> LedgerReads::fact(const std::string& name) {
    Cursor cursor = fact_.run(name);
    return cursor.next().map(
        [&](bool found) { return found ? std::optional(cursor.column<std::string>(0)) : std::nullopt; });
}

Result<std::optional<Row>> LedgerReads::row(const RowKey& key) {
    // Within one moment of a reader, a block serves all rows of its time, so blocks are asked first. The
    // writer mostly asks for rows that are not packed.
    const bool is_moment = database_.read_moment().has_value();
    auto row = is_moment ? packed_row(key) : stored_row(key);
    if (!row || *row) return row;
    return is_moment ? stored_row(key) : packed_row(key);
}

Result<std::optional<Row>> LedgerReads::stored_row(const RowKey& key) {
    Cursor cursor = row_.run(key.step, key.start, key.meter);
    return cursor.next().map([&](bool found) {
        return found ? std::optional(Row{cursor.column<std::int64_t>(0), cursor.column<Duration>(1),
                                         cursor.column<std::int64_t>(2), cursor.column<std::int64_t>(3)})
                     : std::nullopt;
    });
}

Result<std::optional<Row>> LedgerReads::packed_row(const RowKey& key) {
    return packed_.block_of(key).map(
        [&](const PackedReads::Found& block) { return block ? row_at(*block, key.start) : std::nullopt; });
}

}  // namespace tickledger
