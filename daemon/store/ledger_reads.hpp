// What the writer and the readers both ask of the ledger, entries apart.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "store/database.hpp"
#include "store/ledger.hpp"
#include "store/packed_reads.hpp"

namespace tickledger {

class LedgerReads {
public:
    LedgerReads(Database& database, PackedReads& packed);

    [[nodiscard]] Result<std::vector<MeterRecord>> meters();
    [[nodiscard]] Result<std::optional<MeterRecord>> meter(const std::string& id);
    [[nodiscard]] Result<std::optional<std::string>> fact(const std::string& name);
    [[nodiscard]] Result<std::optional<Row>> row(const RowKey& key);

private:
    PackedReads& packed_;
    Statement meters_;
    Statement meter_;
    Statement fact_;
    Statement row_;
};

/// The columns that alarm_of reads; they come first in a statement.
#define ALARM_COLUMNS                                                        \
    "a.id, a.kind, a.state, a.raised_us, a.cleared_us, a.evidence, a.text, " \
    "a.acknowledged_us, a.shelved_until_us"
inline constexpr int alarm_column_count = 9;
[[nodiscard]] Result<Alarm> alarm_of(const Cursor& cursor);

}  // namespace tickledger
