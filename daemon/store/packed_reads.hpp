// Reads what is packed: days, and quarters of years.
#pragma once

#include <array>
#include <limits>
#include <memory>
#include <optional>
#include <string>

#include "store/packed_block.hpp"
#include "store/statement.hpp"

namespace tickledger {

/// The tables of blocks: a UTC day's readings with its intervals, its hours, and the days of a quarter of a
/// UTC year.
enum class PackedTable : std::uint8_t { readings, hours, days };

/// The UTC days of the block of a table that holds a moment.
[[nodiscard]] UtcDays block_days(PackedTable table, Instant t);

/// The block of one time and meter, or nothing. The last one of each table is kept unpacked for as long as
/// the table holds the same bytes: who asks for a day's rows asks for one after the other. Within one moment
/// of a reader it is looked up once.
class PackedReads {
public:
    using Found = std::shared_ptr<const PackedBlock>;

    explicit PackedReads(Database& database);

    /// The block that begins with that day. Null where the time is not packed of that meter. Fails where the
    /// block is damaged.
    [[nodiscard]] Result<Found> block(PackedTable table, UtcDays days, MeterKey meter);
    /// The block that holds the row of an interval, an hour or a day; null for longer ones.
    [[nodiscard]] Result<Found> block_of(const RowKey& key);
    /// The writer knows that no later block is in a table, which spares it most look-ups; nothing: it does
    /// not know.
    void know_last(PackedTable table, std::optional<std::int64_t> first_day) { kept(table).last = first_day; }

private:
    struct Kept {
        Kept(Database& database, const char* sql, const char* last_sql)
            : find(database, sql), find_last(database, last_sql) {}
        Statement find;
        Statement find_last;
        /// The first day of the last block of the table, and the moment of which that was asked.
        std::optional<std::int64_t> last{};
        std::optional<std::uint64_t> last_of{};
        std::optional<std::uint64_t> moment{};
        std::int64_t first_day = std::numeric_limits<std::int64_t>::min();
        MeterKey meter = 0;
        std::string bytes{};
        Found block{};
    };
    [[nodiscard]] Kept& kept(PackedTable table) { return kept_[static_cast<std::size_t>(table)]; }
    /// Asks for the last block, once a moment: who asks for the newest rows of many meters asks no more.
    [[nodiscard]] Result<void> look_at_last(Kept& kept);

    Database& database_;
    std::array<Kept, 3> kept_;
};

/// The row that begins then, if it is in the block.
[[nodiscard]] std::optional<Row> row_at(const PackedBlock& block, Instant start);

}  // namespace tickledger
