#include "configuration/tenant_tables.hpp"

#include <fmt/format.h>

#include <algorithm>

#include "configuration/options.hpp"
#include "core/spelling.hpp"

namespace tickledger {

using toml_file::Kind;
using toml_file::Value;

namespace {

constexpr std::string_view wildcard = "{1}";

/// True if the pattern is the text, with some text in place of "{1}".
bool can_be(std::string_view pattern, std::string_view text) {
    const auto at = pattern.find(wildcard);
    if (at == std::string_view::npos) return pattern == text;
    const auto before = pattern.substr(0, at);
    const auto after = pattern.substr(at + wildcard.size());
    return text.size() > before.size() + after.size() && text.starts_with(before) && text.ends_with(after);
}

class PlacedTenant {
public:
    PlacedTenant(const Value& table, const TenantSettings& tenant) : table_(table), tenant_(tenant) {}

    void check(const Configuration& configuration, Mistakes& mistakes) const {
        if (tenant_.name.empty()) {
            mistakes.add(table_.place, "[[tenant]] lacks a `name`. Write one: name = \"Flat 7\".");
        } else if (std::ranges::count(configuration.tenants, tenant_.name, &TenantSettings::name) > 1) {
            mistakes.add(place_of("name"),
                         fmt::format("`name`: there is another tenant \"{}\". Give each a different name.",
                                     tenant_.name));
        }
        if (tenant_.token_file.empty())
            mistakes.add(table_.place,
                         "[[tenant]] lacks a `token_file`. Write the path of the file with the tenant's "
                         "token.");
        if (tenant_.meters.empty() == tenant_.group.empty()) {
            mistakes.add(table_.place,
                         "[[tenant]] needs either `meters` or `group`: meters = [\"flat-7\"], or group = "
                         "\"staircase 2\".");
        }
        for (const std::string& id : tenant_.meters)
            check_meter(id, configuration, mistakes);
        check_group(configuration, mistakes);
        if (configuration.socket.http.empty() || configuration.socket.token_file.empty()) {
            mistakes.add(table_.place,
                         "[[tenant]] needs `http` and `token_file` in [socket]. Without that token, the HTTP "
                         "interface would show all meters to everybody.");
        }
    }

private:
    [[nodiscard]] Place place_of(std::string_view key) const {
        const Value* value = table_.find(key);
        return value ? value->place : table_.place;
    }

    void check_meter(const std::string& id, const Configuration& configuration, Mistakes& mistakes) const {
        if (id.find(wildcard) != std::string::npos) {
            mistakes.add(
                place_of("meters"),
                fmt::format("`meters`: \"{}\" is a pattern. Write the ids out, as in \"flat-7\", or give "
                            "a `group`.",
                            id));
            return;
        }
        std::vector<std::string_view> ids;
        for (const MeterSettings& meter : configuration.meters) {
            if (can_be(meter.id, id)) return;
            ids.push_back(meter.id);
        }
        const auto meant = nearest(id, ids);
        mistakes.add(place_of("meters"), fmt::format("`meters`: there is no meter \"{}\"{}", id,
                                                     meant ? fmt::format("; did you mean \"{}\"?", *meant)
                                                           : ". Write the id of a [[meter]]."));
    }

    void check_group(const Configuration& configuration, Mistakes& mistakes) const {
        if (tenant_.group.empty()) return;
        std::vector<std::string_view> groups;
        for (const MeterNames& names : configuration.names) {
            if (names.group.empty()) continue;
            if (can_be(names.group, tenant_.group)) return;
            groups.push_back(names.group);
        }
        const auto meant = nearest(tenant_.group, groups);
        mistakes.add(place_of("group"),
                     fmt::format("`group`: no meter is in the group \"{}\"{}", tenant_.group,
                                 meant ? fmt::format("; did you mean \"{}\"?", *meant)
                                       : ". Write the `group` of a [[meter]]."));
    }

    const Value& table_;
    const TenantSettings& tenant_;
};

}  // namespace

void read_tenants(const Value& list, Configuration& configuration, Mistakes& mistakes) {
    if (list.kind != Kind::list) {
        mistakes.add(list.place,
                     fmt::format("`tenant` must be one or more tables, but it is {}. Write each tenant below "
                                 "a line [[tenant]].",
                                 toml_file::name_of(list.kind)));
        return;
    }
    const std::size_t before = mistakes.count();
    for (const Value& table : list.items)
        read_table(table, tenant_title, tenant_options(), configuration.tenants.emplace_back(), mistakes);
    // If something could not be read, further checks would only report its consequences.
    if (mistakes.count() != before) return;
    for (std::size_t i = 0; i < list.items.size(); ++i)
        PlacedTenant(list.items[i], configuration.tenants[i]).check(configuration, mistakes);
}

}  // namespace tickledger
