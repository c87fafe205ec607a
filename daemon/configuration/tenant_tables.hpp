// The [[tenant]] tables: each is read, and checked against the meters.
#pragma once

#include "configuration/configuration.hpp"
#include "configuration/document.hpp"
#include "configuration/mistakes.hpp"

namespace tickledger {

/// Appends the tenants to `configuration`, whose meters and socket must have been read before.
void read_tenants(const toml_file::Value& list, Configuration& configuration, Mistakes& mistakes);

}  // namespace tickledger
