// The tables of the ledger, and the steps that bring an older file up to date. docs/ledger-format.md explains
// their meaning and the reasons.
#pragma once

#include <span>

#include "store/database.hpp"

namespace tickledger {

/// Step i brings a file from version i to version i + 1. An empty file has version 0. A step that was
/// released is never changed: a new one is added after it.
[[nodiscard]] std::span<const char* const> schema_steps();

/// Brings a file up to date, each step in a transaction of its own. Fails, and changes nothing, if the file
/// is of a newer program or is not a ledger.
[[nodiscard]] Result<void> bring_up_to_date(Database& database,
                                            std::span<const char* const> steps = schema_steps());

/// Fails if the file is not of exactly this program's version. For readers, which change nothing.
[[nodiscard]] Result<void> expect_up_to_date(Database& database);

}  // namespace tickledger
