#include "serve/tenants.hpp"

#include <algorithm>
#include <utility>

#include "book/accounts.hpp"
#include "serve/meter_facts.hpp"

namespace tickledger {

bool is_shown(const Configuration& configuration, const TenantSettings& tenant, const std::string& meter) {
    if (std::ranges::find(tenant.meters, meter) != tenant.meters.end()) return true;
    if (tenant.group.empty()) return false;
    const MeterSettings* settings = settings_for(configuration.meters, meter);
    if (!settings) return false;
    const auto place = static_cast<std::size_t>(settings - configuration.meters.data());
    return place < configuration.names.size() &&
           text_for(configuration.names[place].group, *settings, meter) == tenant.group;
}

Configuration configuration_for(const Configuration& whole, const TenantSettings& tenant) {
    Configuration own = whole;
    own.tenants.clear();
    own.meters.clear();
    own.names.clear();
    for (std::size_t i = 0; i < whole.meters.size(); ++i) {
        const MeterSettings& meter = whole.meters[i];
        if (!is_pattern(meter) && !is_shown(whole, tenant, meter.id)) continue;
        MeterNames names = i < whole.names.size() ? whole.names[i] : MeterNames{};
        // The id of a meter that the tenant may not see would reveal that it exists.
        if (!is_shown(whole, tenant, names.parent)) names.parent.clear();
        own.meters.push_back(meter);
        own.names.push_back(std::move(names));
    }
    return own;
}

HealthFacts health_for(HealthFacts whole, const std::function<bool(const std::string&)>& shows) {
    HealthFacts own;
    own.version = std::move(whole.version);
    own.broker_connected = whole.broker_connected;
    own.broker_subscribed = whole.broker_subscribed;
    // The store's words name files of the server.
    if (!whole.store_error.empty())
        own.store_error = "the ledger cannot be written. The person who manages the server can see why.";
    if (!whole.broker_connected) own.broker_trouble = "The broker is not connected.";
    std::erase_if(whole.meters, [&](const MeterHealth& meter) { return !shows(meter.id); });
    own.meters = std::move(whole.meters);
    return own;
}

ApiParts parts_for(const ApiParts& whole, const TenantSettings& tenant,
                   std::shared_ptr<const Configuration> own) {
    const auto shows = [configuration = whole.configuration, tenant](const std::string& meter) {
        return is_shown(*configuration, tenant, meter);
    };
    ApiParts parts = whole;
    parts.configuration = own.get();
    parts.open_view = [open = whole.open_view, shows] {
        auto view = open();
        if (view) (*view)->show_only(shows);
        return view;
    };
    // Also keeps `own` alive.
    parts.settings_for = [find = whole.settings_for, shows,
                          own](const std::string& meter) -> const MeterSettings* {
        return shows(meter) ? find(meter) : nullptr;
    };
    parts.health = [look = whole.health, shows] { return health_for(look(), shows); };
    parts.instruct = [](const std::string&) -> Result<void> { return fail("This token may only read."); };
    parts.shows = shows;
    parts.is_read_only = true;
    return parts;
}

}  // namespace tickledger
