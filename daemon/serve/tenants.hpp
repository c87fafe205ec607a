// What a tenant may see: his meters, and no sign of any other. The one place that decides it.
#pragma once

#include <memory>
#include <string>

#include "serve/api.hpp"

namespace tickledger {

/// A meter, by its resolved id, is one of the tenant's.
[[nodiscard]] bool is_shown(const Configuration& configuration, const TenantSettings& tenant,
                            const std::string& meter);

/// The configuration as if his meters were all there are. Those of patterns are left to `is_shown`.
[[nodiscard]] Configuration configuration_for(const Configuration& whole, const TenantSettings& tenant);

/// The same of health: his meters', whether booking and the broker work, and of the whole house nothing else.
[[nodiscard]] HealthFacts health_for(HealthFacts whole, const std::function<bool(const std::string&)>& shows);

/// The parts of an API that shows his meters only and changes nothing. `whole`, and the settings that it
/// hands out, must outlive them; `own` is configuration_for the same tenant.
[[nodiscard]] ApiParts parts_for(const ApiParts& whole, const TenantSettings& tenant,
                                 std::shared_ptr<const Configuration> own);

}  // namespace tickledger
