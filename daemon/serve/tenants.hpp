// Decides what a tenant may see: his own meters, and no sign of any other. It is decided nowhere else.
#pragma once

#include <memory>
#include <string>

#include "serve/api.hpp"

namespace tickledger {

/// Whether a meter, by its resolved id, is one of the tenant's.
[[nodiscard]] bool is_shown(const Configuration& configuration, const TenantSettings& tenant,
                            const std::string& meter);

/// The configuration as if the tenant's meters were the only ones. Meters of patterns are left to `is_shown`.
[[nodiscard]] Configuration configuration_for(const Configuration& whole, const TenantSettings& tenant);

/// The health of the tenant's meters, and whether booking and the broker work. Nothing else of the whole
/// house.
[[nodiscard]] HealthFacts health_for(HealthFacts whole, const std::function<bool(const std::string&)>& shows);

/// The parts of an API that shows only the tenant's meters and changes nothing. `whole`, and the settings
/// that it hands out, must outlive them. `own` is the result of configuration_for() for the same tenant.
[[nodiscard]] ApiParts parts_for(const ApiParts& whole, const TenantSettings& tenant,
                                 std::shared_ptr<const Configuration> own);

}  // namespace tickledger
