// What the writer and the readers both ask of the ledger, except entries.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "store/ledger.hpp"
#include "store/packed_reads.hpp"
#include "store/statement.hpp"

namespace tickledger {

class LedgerReads {
public:
    LedgerReads(Database& database, PackedReads& packed);

    [[nodiscard]] Result<std::vector<MeterRecord>> meters();
    [[nodiscard]] Result<std::optional<MeterRecord>> meter(const std::string& id);
    [[nodiscard]] Result<std::optional<std::string>> fact(const std::string& name);
    [[nodiscard]] Result<std::optional<Row>> row(const RowKey& key);

private:
    [[nodiscard]] Result<std::optional<Row>> stored_row(const RowKey& key);
    [[nodiscard]] Result<std::optional<Row>> packed_row(const RowKey& key);

    Database& database_;
    PackedReads& packed_;
    Statement meters_;
    Statement meter_;
    Statement fact_;
    Statement row_;
};

}  // namespace tickledger
