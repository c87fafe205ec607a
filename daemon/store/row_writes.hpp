// Rows of series as the one writer writes them: several by one statement, for half of what one costs is the
// statement's beginning and end.
#pragma once

#include <array>
#include <cstddef>

#include "store/ledger.hpp"
#include "store/statement.hpp"

namespace tickledger {

/// Whoever is to read or change rows within the transaction calls write() first.
class RowWrites {
public:
    explicit RowWrites(Database& database);

    /// Puts a row in the place of one that may be there. Within a transaction it may wait for others.
    [[nodiscard]] Result<void> put(const RowKey& key, const Row& row);
    /// What waits is written.
    [[nodiscard]] Result<void> write();
    /// A transaction was rolled back: what waits is dropped.
    void forget() { count_ = 0; }

private:
    struct Waiting {
        RowKey key;
        Row row;
    };
    static constexpr std::size_t at_once = 8;

    Database& database_;
    Statement put_one_;
    Statement put_several_;
    std::array<Waiting, at_once> waiting_{};
    std::size_t count_ = 0;
};

}  // namespace tickledger
