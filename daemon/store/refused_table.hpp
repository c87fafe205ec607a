// Refused messages in SQLite.
#pragma once

#include "store/ledger.hpp"
#include "store/statement.hpp"

namespace tickledger {

/// The newest thousand of each meter are kept; older ones are counted by the hour.
class RefusedTable {
public:
    explicit RefusedTable(Database& database);

    /// As Ledger::add_refused.
    [[nodiscard]] Result<bool> add(const Refused& refused);

private:
    Database& database_;
    Statement add_;
    Statement count_left_out_;
    Statement trim_;
};

}  // namespace tickledger
