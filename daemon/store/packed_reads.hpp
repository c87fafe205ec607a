// Reads packed blocks: days, and quarters of years.
#pragma once

#include <array>
#include <limits>
#include <memory>
#include <optional>
#include <string>

#include "store/packed_block.hpp"
#include "store/statement.hpp"

namespace tickledger {

/// The tables of blocks: the readings and intervals of a UTC day, the hours of a UTC day, and the days of a
/// quarter of a UTC year.
enum class PackedTable : std::uint8_t { readings, hours, days };

/// The UTC days of the block of this table that holds a moment.
[[nodiscard]] UtcDays block_days(PackedTable table, Instant t);

/// Finds the block of one time and meter. The last block of each table stays unpacked as long as the table
/// holds the same bytes, because a day's rows are asked for one after the other. Within one moment of a
/// reader it is looked up once.
class PackedReads {
public:
    using Found = std::shared_ptr<const PackedBlock>;

    explicit PackedReads(Database& database);

    /// The block that begins with the first of `days`. Null if the meter has none there. Fails if the block
    /// is damaged.
    [[nodiscard]] Result<Found> block(PackedTable table, UtcDays days, MeterKey meter);
    /// The block that holds the row of an interval, an hour or a day. Null for longer rows.
    [[nodiscard]] Result<Found> block_of(const RowKey& key);
    /// For the writer, which knows the last block of a table. This saves it most look-ups. Nothing: it does
    /// not know.
    void know_last(PackedTable table, std::optional<std::int64_t> first_day) { kept(table).last = first_day; }

private:
    struct Kept {
        Kept(Database& database, const char* sql, const char* last_sql)
            : find(database, sql), find_last(database, last_sql) {}
        Statement find;
        Statement find_last;
        /// The first day of the table's last block, and the moment for which it was asked.
        std::optional<std::int64_t> last{};
        std::optional<std::uint64_t> last_of{};
        std::optional<std::uint64_t> moment{};
        std::int64_t first_day = std::numeric_limits<std::int64_t>::min();
        MeterKey meter = 0;
        std::string bytes{};
        Found block{};
    };
    [[nodiscard]] Kept& kept(PackedTable table) { return kept_[static_cast<std::size_t>(table)]; }
    /// Looks up the last block, once per moment. Then asking for the newest rows of many meters needs no more
    /// look-ups.
    [[nodiscard]] Result<void> look_at_last(Kept& kept);

    Database& database_;
    std::array<Kept, 3> kept_;
};

/// The row that begins then, if the block has it.
[[nodiscard]] std::optional<Row> row_at(const PackedBlock& block, Instant start);

}  // namespace tickledger
