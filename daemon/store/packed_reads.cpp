#include "store/packed_reads.hpp"

#include <fmt/format.h>

#include <algorithm>

#include "tickledger/civil.hpp"

namespace tickledger {
namespace {

/// "the packed hours of meter 7 of the day 2026-03-01"
std::string words_for(PackedTable table, UtcDays days, MeterKey meter) {
    const std::string date = format_utc(start_of_day(days.first));
    if (table == PackedTable::days)
        return fmt::format("the packed days of meter {} from {} on", meter, date.substr(0, 10));
    return fmt::format("the packed {} of meter {} of the day {}",
                       table == PackedTable::readings ? "readings" : "hours", meter, date.substr(0, 10));
}

}  // namespace

UtcDays block_days(PackedTable table, Instant t) {
    return table == PackedTable::days ? quarter_of(t) : UtcDays{day_of(t)};
}

PackedReads::PackedReads(Database& database)
    : database_(database),
      kept_{Kept{database, "SELECT block FROM packed_day WHERE day = ?1 AND meter = ?2",
                 "SELECT max(day) FROM packed_day"},
            Kept{database, "SELECT block FROM packed_hours WHERE day = ?1 AND meter = ?2",
                 "SELECT max(day) FROM packed_hours"},
            Kept{database, "SELECT block FROM packed_quarter WHERE day = ?1 AND meter = ?2",
                 "SELECT max(day) FROM packed_quarter"}} {}

Result<void> PackedReads::look_at_last(Kept& kept) {
    const auto moment = database_.read_moment();
    if (kept.last_of == moment) return {};
    kept.last_of = moment;
    kept.last.reset();
    if (!moment) return {};
    Cursor cursor = kept.find_last.run();
    return cursor.next().map([&](bool) {
        kept.last =
            cursor.column<std::optional<std::int64_t>>(0).value_or(std::numeric_limits<std::int64_t>::min());
    });
}

Result<PackedReads::Found> PackedReads::block(PackedTable table, UtcDays days, MeterKey meter) {
    Kept& kept = this->kept(table);
    if (auto looked = look_at_last(kept); !looked) return tl::unexpected(looked.error());
    if (kept.last && days.first > *kept.last) return Found();
    const bool is_kept = kept.first_day == days.first && kept.meter == meter;
    const auto moment = database_.read_moment();
    if (moment && kept.moment == moment && is_kept) return kept.block;
    Cursor cursor = kept.find.run(days.first, meter);
    const auto found = cursor.next();
    if (!found) return tl::unexpected(found.error());
    const auto bytes = *found ? cursor.column<std::string_view>(0) : std::string_view();
    if (!is_kept || !kept.block || kept.bytes != bytes) {
        kept.block = nullptr;
        kept.moment.reset();
        if (*found) {
            auto block = unpack(bytes, days);
            if (!block) {
                return tl::unexpected(database_.damaged(words_for(table, days, meter) +
                                                        " cannot be read: " + block.error().text));
            }
            kept.block = std::make_shared<const PackedBlock>(std::move(*block));
        }
        kept.first_day = days.first;
        kept.meter = meter;
        kept.bytes = bytes;
    }
    kept.moment = moment;
    return kept.block;
}

Result<PackedReads::Found> PackedReads::block_of(const RowKey& key) {
    if (key.step > Step::day) return Found();
    const auto table = key.step == Step::interval ? PackedTable::readings
                       : key.step == Step::hour   ? PackedTable::hours
                                                  : PackedTable::days;
    return block(table, block_days(table, key.start), key.meter);
}

std::optional<Row> row_at(const PackedBlock& block, Instant start) {
    const auto at = std::lower_bound(block.rows.begin(), block.rows.end(), start,
                                     [](const TimedRow& row, Instant t) { return row.start < t; });
    return at != block.rows.end() && at->start == start ? std::optional(at->row) : std::nullopt;
}

}  // namespace tickledger
