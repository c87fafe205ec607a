// Reads the [[tenant]] tables and checks them against the meters.
#pragma once

#include "configuration/configuration.hpp"
#include "configuration/document.hpp"
#include "configuration/mistakes.hpp"

namespace tickledger {

/// Appends the tenants to `configuration`. Precondition: its meters and socket have been read.
void read_tenants(const toml_file::Value& list, Configuration& configuration, Mistakes& mistakes);

}  // namespace tickledger
