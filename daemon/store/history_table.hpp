// History in SQLite: its own table, beside the entries that a node's readings made.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "store/history.hpp"
#include "store/ledger.hpp"
#include "store/statement.hpp"

namespace tickledger {

class HistoryTable {
public:
    explicit HistoryTable(Database& database);

    /// Those that overlap a span, in order of time.
    [[nodiscard]] Result<std::vector<HistoryEntry>> overlapping(MeterKey meter, Span span);
    /// Where the first of them begins.
    [[nodiscard]] Result<std::optional<Instant>> begin(MeterKey meter);
    [[nodiscard]] Result<void> add(MeterKey meter, const HistoryEntry& entry);
    [[nodiscard]] Result<void> remove(MeterKey meter, const std::string& import);

private:
    Statement overlapping_;
    Statement begin_;
    Statement add_;
    Statement remove_;
};

}  // namespace tickledger
