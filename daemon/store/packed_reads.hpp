// Reads packed days.
#pragma once

#include <memory>
#include <optional>
#include <string>

#include "store/packed_block.hpp"
#include "store/statement.hpp"

namespace tickledger {

/// The two tables of packed days.
enum class PackedTable : std::uint8_t { readings, hours };

/// The block of one day and meter, or nothing. The last one of each table is kept unpacked for as long as the
/// table holds the same bytes: who asks for a day's rows asks for one after the other.
class PackedReads {
public:
    using Found = std::shared_ptr<const PackedBlock>;

    explicit PackedReads(Database& database);

    /// Null where that day of that meter is not packed. Fails where the block is damaged.
    [[nodiscard]] Result<Found> block(PackedTable table, std::int64_t day, MeterKey meter);
    /// The row of an interval or of an hour, if it lies in a block.
    [[nodiscard]] Result<std::optional<Row>> row(const RowKey& key);
    /// The writer knows that no later day is packed, which spares it most look-ups; nothing: it does not
    /// know.
    void know_last(std::optional<std::int64_t> day) { last_ = day; }

private:
    struct Kept {
        explicit Kept(Database& database, const char* sql) : find(database, sql) {}
        Statement find;
        std::int64_t day = 0;
        MeterKey meter = 0;
        std::string bytes;
        Found block;
    };

    Database& database_;
    std::optional<std::int64_t> last_;
    Kept readings_;
    Kept hours_;
};

}  // namespace tickledger
