// The schema: every option, with how it is read from the file and how it is written back.
#pragma once

#include <functional>
#include <string>
#include <string_view>
#include <vector>

#include "configuration/configuration.hpp"
#include "configuration/document.hpp"
#include "configuration/mistakes.hpp"

namespace tickledger {

/// One key of one table.
template <typename Settings>
struct Option {
    std::string_view key;
    /// Puts the value into the settings. If it cannot, leaves them unchanged and adds a mistake.
    std::function<void(const toml_file::Value&, Settings&, Mistakes&)> read;
    /// The value as TOML; empty if another option or table writes it.
    std::function<std::string(const Settings&)> write;
};

template <typename Settings>
using Options = std::vector<Option<Settings>>;

struct SiteSettings {
    /// Empty: the system's zone.
    std::string timezone;
    std::int64_t max_meters = default_max_meters;
};

[[nodiscard]] const Options<SiteSettings>& site_options();
[[nodiscard]] const Options<BrokerSettings>& broker_options();
[[nodiscard]] const Options<StoreSettings>& store_options();
[[nodiscard]] const Options<SocketSettings>& socket_options();
[[nodiscard]] const Options<TariffSettings>& tariff_options();
[[nodiscard]] const Options<MeterSettings>& meter_options();
/// These are keys of [[meter]], too.
[[nodiscard]] const Options<MeterNames>& name_options();
[[nodiscard]] const Options<TenantSettings>& tenant_options();
[[nodiscard]] const Options<FieldPointers>& field_options();
[[nodiscard]] const Options<AlarmSettings>& alarm_options();

/// A table's title in the file ("[meter.alarms]"), the path of its keys ("meter.alarms"), and its keys.
struct TableKeys {
    std::string_view title;
    std::string_view path;
    std::vector<std::string_view> keys;
};

/// All tables of the schema, with the keys that are values or inline tables.
[[nodiscard]] const std::vector<TableKeys>& schema_tables();

inline constexpr std::string_view site_title = "[site]";
inline constexpr std::string_view broker_title = "[broker]";
inline constexpr std::string_view store_title = "[store]";
inline constexpr std::string_view socket_title = "[socket]";
inline constexpr std::string_view tariff_title = "[tariff]";
inline constexpr std::string_view meter_title = "[[meter]]";
inline constexpr std::string_view tenant_title = "[[tenant]]";
inline constexpr std::string_view fields_title = "[meter.fields]";
inline constexpr std::string_view alarms_title = "[meter.alarms]";

/// Adds the mistake for a key that the table does not have. It says where the key belongs, or what was
/// probably meant.
void add_unknown_key(const toml_file::Member& member, std::string_view title, Mistakes& mistakes);

/// Reads every member of a table through its option.
template <typename Settings>
void read_table(const toml_file::Value& table, std::string_view title, const Options<Settings>& options,
                Settings& settings, Mistakes& mistakes) {
    if (table.kind != toml_file::Kind::table) {
        mistakes.add(table.place, std::string{title} + " must be a table, but it is " +
                                      std::string{toml_file::name_of(table.kind)} + ". Write " +
                                      std::string{title} + " on a line of its own and its keys below it.");
        return;
    }
    for (const auto& member : table.members) {
        bool known = false;
        for (const auto& option : options) {
            if (option.key != member.key) continue;
            known = true;
            option.read(member.value, settings, mistakes);
        }
        if (!known) add_unknown_key(member, title, mistakes);
    }
}

}  // namespace tickledger
