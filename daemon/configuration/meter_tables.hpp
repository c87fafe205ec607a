// The [[meter]] tables: each is read, and those are checked against each other.
#pragma once

#include "configuration/configuration.hpp"
#include "configuration/document.hpp"
#include "configuration/mistakes.hpp"

namespace tickledger {

/// Appends the meters to `configuration`, whose broker must have been read before: their topics are checked
/// against what the daemon publishes.
void read_meters(const toml_file::Value& list, Configuration& configuration, Mistakes& mistakes);

}  // namespace tickledger
