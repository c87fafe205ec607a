// The content of a packed block, and its bytes: JSON columns, compressed with zlib. docs/ledger-format.md
// describes the format for those who read it without this program.
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

/// One meter's readings of a UTC day, its hours of a UTC day, or its days of a quarter of a UTC year. Entries
/// end within that time, rows begin within it. Entries are in the order of the table's key, rows in the order
/// of their beginnings.
struct PackedBlock {
    std::vector<NumberedEntry> entries;
    std::vector<TimedRow> rows;
    [[nodiscard]] bool empty() const { return entries.empty() && rows.empty(); }
    bool operator==(const PackedBlock&) const = default;
};

/// The most entries, or rows, that one block can hold: about two a second.
inline constexpr std::size_t packed_block_max = 200'000;

/// The block's bytes. unpack() refuses to read back a block with more than packed_block_max entries or rows,
/// entries that are not measured, or content that is not of these days or not in order.
[[nodiscard]] std::string pack(const PackedBlock& block, UtcDays days);

/// Reads any bytes. Fails with what is wrong, as half a sentence: "it is not compressed with zlib".
[[nodiscard]] Result<PackedBlock> unpack(std::string_view bytes, UtcDays days);

}  // namespace tickledger
