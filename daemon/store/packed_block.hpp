// What a packed day holds, and its bytes: JSON columns, compressed with zlib. docs/ledger-format.md tells the
// format for those who read it without this program.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

#include "store/ledger.hpp"
#include "store/numbered_entry.hpp"
#include "store/utc_days.hpp"

namespace tickledger {

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

/// The block's bytes. What is beyond packed_block_max, of another kind than measured, not of these days or
/// not in order, unpack() refuses to read back.
[[nodiscard]] std::string pack(const PackedBlock& block, UtcDays days);

/// Reads any bytes. Fails with what is wrong, the half of a sentence: "it is not compressed with zlib".
[[nodiscard]] Result<PackedBlock> unpack(std::string_view bytes, UtcDays days);

}  // namespace tickledger
