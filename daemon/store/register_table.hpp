// Readings of the register by eye in SQLite.
#pragma once

#include <vector>

#include "store/ledger.hpp"
#include "store/statement.hpp"

namespace tickledger {

class RegisterTable {
public:
    explicit RegisterTable(Database& database);

    /// In order of time.
    [[nodiscard]] Result<std::vector<RegisterReading>> readings(MeterKey meter);
    [[nodiscard]] Result<void> put(MeterKey meter, const RegisterReading& reading);
    [[nodiscard]] Result<void> remove(MeterKey meter, Instant at);

private:
    Statement readings_;
    Statement put_;
    Statement remove_;
};

}  // namespace tickledger
