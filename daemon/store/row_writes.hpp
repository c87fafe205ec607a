// Rows of series, as the one writer writes them. One statement writes several rows, because beginning and
// ending a statement is half the cost of a row.
#pragma once

#include <array>
#include <cstddef>

#include "store/ledger.hpp"
#include "store/statement.hpp"

namespace tickledger {

/// Before rows are read or changed otherwise within the transaction, call write().
class RowWrites {
public:
    explicit RowWrites(Database& database);

    /// Writes a row in place of one that may be there. Within a transaction it may wait for others.
    [[nodiscard]] Result<void> put(const RowKey& key, const Row& row);
    /// Writes what waits.
    [[nodiscard]] Result<void> write();
    /// Call it after a rollback: drops what waits.
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
