// Reads the memory of a meter in the form that ledgers before version 9 hold.
#pragma once

#include <string>

#include "book/account.hpp"

namespace tickledger {

/// Fails if the text is not such a memory.
[[nodiscard]] Result<AccountMemory> memory_from_json(const std::string& text);

}  // namespace tickledger
