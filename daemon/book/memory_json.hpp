// The memory of a meter as ledgers before version 9 hold it.
#pragma once

#include <string>

#include "book/account.hpp"

namespace tickledger {

/// Fails on what no such ledger held.
[[nodiscard]] Result<AccountMemory> memory_from_json(const std::string& text);

}  // namespace tickledger
