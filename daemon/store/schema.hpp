// The tables of the ledger and how an older file becomes a present one. Meaning and reasons:
// docs/ledger-format.md.
#pragma once

#include <span>

#include "store/database.hpp"

namespace tickledger {

/// Step i brings a file of version i to version i + 1; an empty file has version 0. A step that was
/// released is never changed: a new one is added after it.
[[nodiscard]] std::span<const char* const> schema_steps();

/// Brings a file up to date, each step in a transaction of its own. Fails, and changes nothing, where the
/// file is of a newer program or is no ledger.
[[nodiscard]] Result<void> bring_up_to_date(Database& database,
                                            std::span<const char* const> steps = schema_steps());

/// Fails where the file is not of exactly this program's version: a reader changes nothing.
[[nodiscard]] Result<void> expect_up_to_date(Database& database);

}  // namespace tickledger
