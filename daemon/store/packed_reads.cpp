#include "store/packed_reads.hpp"

#include <fmt/format.h>

#include <algorithm>

#include "tickledger/civil.hpp"

namespace tickledger {

PackedReads::PackedReads(Database& database)
    : database_(database),
      readings_(database, "SELECT block FROM packed_day WHERE day = ?1 AND meter = ?2"),
      hours_(database, "SELECT block FROM packed_hours WHERE day = ?1 AND meter = ?2") {}

Result<PackedReads::Found> PackedReads::block(PackedTable table, std::int64_t day, MeterKey meter) {
    if (last_ && day > *last_) return Found();
    Kept& kept = table == PackedTable::readings ? readings_ : hours_;
    Cursor cursor = kept.find.run(day, meter);
    const auto found = cursor.next();
    if (!found) return tl::unexpected(found.error());
    if (!*found) return Found();
    const auto bytes = cursor.column<std::string_view>(0);
    if (kept.block && kept.day == day && kept.meter == meter && kept.bytes == bytes) return kept.block;
    auto block = unpack(bytes, day);
    if (!block) {
        return tl::unexpected(
            database_.damaged(fmt::format("the packed {} of meter {} of the day {} cannot be read: {}",
                                          table == PackedTable::readings ? "readings" : "hours", meter,
                                          format_utc(start_of_day(day)).substr(0, 10), block.error().text)));
    }
    kept.day = day;
    kept.meter = meter;
    kept.bytes = bytes;
    kept.block = std::make_shared<const PackedBlock>(std::move(*block));
    return kept.block;
}

Result<std::optional<Row>> PackedReads::row(const RowKey& key) {
    if (key.step != Step::interval && key.step != Step::hour) return std::nullopt;
    const auto table = key.step == Step::interval ? PackedTable::readings : PackedTable::hours;
    const auto found = block(table, day_of(key.start), key.meter);
    if (!found) return tl::unexpected(found.error());
    if (!*found) return std::nullopt;
    const auto& rows = (*found)->rows;
    const auto at = std::lower_bound(rows.begin(), rows.end(), key.start,
                                     [](const TimedRow& row, Instant start) { return row.start < start; });
    return at != rows.end() && at->start == key.start ? std::optional(at->row) : std::nullopt;
}

}  // namespace tickledger
