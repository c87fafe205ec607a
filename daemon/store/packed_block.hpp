// What a packed day holds, and its bytes: JSON columns, compressed with zlib. docs/ledger-format.md tells the
// format for those who read it without this program.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

#include "store/ledger.hpp"
#include "tickledger/entry.hpp"

namespace tickledger {

/// A measured entry and its number among those of its span (`entry.n`).
struct NumberedEntry {
    Entry entry;
    std::int64_t n = 0;
    bool operator==(const NumberedEntry&) const = default;
};

struct TimedRow {
    Instant start{};
    Row row;
    bool operator==(const TimedRow&) const = default;
};

/// One meter's readings of one UTC day, its hours, or its days of a quarter of a UTC year: entries that end
/// within that time, rows that begin within it. Entries stand in the order of the table's key, rows in the
/// order of their beginnings.
struct PackedBlock {
    std::vector<NumberedEntry> entries;
    std::vector<TimedRow> rows;
    [[nodiscard]] bool empty() const { return entries.empty() && rows.empty(); }
    bool operator==(const PackedBlock&) const = default;
};

/// As many entries, or rows, as one block can hold: some two a second.
inline constexpr std::size_t packed_block_max = 200'000;

/// UTC days that a block may hold; `first` in whole days since 1970-01-01.
struct PackedDays {
    std::int64_t first = 0;
    std::int64_t count = 1;
};

/// The block's bytes. What is beyond packed_block_max, of another kind than measured, not of these days or
/// not in order, unpack() refuses to read back.
[[nodiscard]] std::string pack(const PackedBlock& block, PackedDays days);

/// Reads any bytes. Fails with what is wrong, the half of a sentence: "it is not compressed with zlib".
[[nodiscard]] Result<PackedBlock> unpack(std::string_view bytes, PackedDays days);

/// The UTC day that holds a moment, in whole days since 1970-01-01, and where it begins.
[[nodiscard]] std::int64_t day_of(Instant t);
[[nodiscard]] Instant start_of_day(std::int64_t day);
/// The quarter of a UTC year that holds a moment.
[[nodiscard]] PackedDays quarter_of(Instant t);

/// True where `a` stands before `b` in the order of the entries' key, meter apart.
[[nodiscard]] bool comes_before(const NumberedEntry& a, const NumberedEntry& b);

}  // namespace tickledger
