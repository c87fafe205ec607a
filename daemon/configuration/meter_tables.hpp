// Reads the [[meter]] tables and checks them against each other.
#pragma once

#include "configuration/configuration.hpp"
#include "configuration/document.hpp"
#include "configuration/mistakes.hpp"

namespace tickledger {

/// Appends the meters to `configuration`. Precondition: its broker settings have been read, because topics
/// are checked against those that the daemon publishes.
void read_meters(const toml_file::Value& list, Configuration& configuration, Mistakes& mistakes);

}  // namespace tickledger
