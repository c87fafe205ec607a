// History in SQLite: a table of its own, beside the entries from a node's readings.
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

    /// The entries that overlap a span, in order of time.
    [[nodiscard]] Result<std::vector<HistoryEntry>> overlapping(MeterKey meter, Span span);
    /// Where the first entry begins.
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
