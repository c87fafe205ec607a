// The boots of nodes in SQLite, and which of their messages never arrived.
#pragma once

#include <optional>

#include "store/ledger.hpp"
#include "store/statement.hpp"

namespace tickledger {

/// Boots as records, and gaps as ranges of message numbers.
///
/// Message numbers lie on a circle that SQLite's signed numbers cut between 2^63 - 1 and 2^63. A range that
/// crosses the cut is stored as two ranges. So is a range that wraps earlier because the node counts in fewer
/// bits. The ranges of a boot never overlap. So one look-up decides whether a number is missing: it finds the
/// last range that begins at or before the number.
class BootTable {
public:
    explicit BootTable(Database& database);

    [[nodiscard]] Result<std::optional<BootRecord>> boot(MeterKey meter, std::uint64_t boot);
    [[nodiscard]] Result<void> put(MeterKey meter, const BootRecord& record);

    /// As Ledger::add_gap, in_gap, fill_gap.
    [[nodiscard]] Result<void> add_gap(MeterKey meter, std::uint64_t boot, std::uint64_t first_seq,
                                       std::uint64_t last_seq);
    [[nodiscard]] Result<bool> in_gap(MeterKey meter, std::uint64_t boot, std::uint64_t seq);
    [[nodiscard]] Result<void> fill_gap(MeterKey meter, std::uint64_t boot, std::uint64_t first_seq,
                                        std::uint64_t last_seq);

private:
    /// Both inclusive, first <= last.
    struct Range {
        std::int64_t first = 0;
        std::int64_t last = 0;
    };
    /// The range that begins last at or before `seq`.
    [[nodiscard]] Result<std::optional<Range>> range_before(MeterKey meter, std::uint64_t boot,
                                                            std::int64_t seq);
    /// Adds a range, merged with all ranges that it overlaps.
    [[nodiscard]] Result<void> add_range(MeterKey meter, std::uint64_t boot, Range range);

    Statement boot_;
    Statement put_;
    Statement range_before_;
    Statement insert_range_;
    Statement delete_range_;
};

}  // namespace tickledger
