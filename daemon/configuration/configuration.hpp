// Reads the configuration file: TOML in, settings or a list of every mistake out.
#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "tickledger/meter.hpp"
#include "tickledger/time.hpp"

namespace tickledger {

struct BrokerSettings {
    std::string url = "mqtt://127.0.0.1:1883";
    std::string client_id = "tickledger";
    std::string username;
    std::string password_file;
    std::string ca_file;
    std::string cert_file;
    std::string key_file;
    std::string topic_root = "tickledger";

    bool operator==(const BrokerSettings&) const = default;
};

struct StoreSettings {
    std::filesystem::path directory = "/var/lib/tickledger";
    Duration commit_every = std::chrono::seconds{1};
    Duration sync_every = std::chrono::seconds{1};
    Duration keep_messages = std::chrono::hours{24 * 7};
    /// Days that ended longer ago are packed; they then take a tenth of the space in the ledger.
    Duration pack_after = std::chrono::hours{24 * 7};
    Duration keep_readings = std::chrono::hours{24 * 400};
    /// The directory for backups of the ledger; empty: `backups` in the store's directory.
    std::filesystem::path backup_directory;
    Duration backup_every = std::chrono::hours{24};
    /// How many backups are kept; 0: none are made.
    std::int64_t keep_backups = 7;
    /// True: SQLite's index of the write-ahead log is in the daemon's memory instead of a file that others
    /// share.
    bool has_index_in_memory = false;

    [[nodiscard]] std::filesystem::path backups() const {
        return backup_directory.empty() ? directory / "backups" : backup_directory;
    }

    bool operator==(const StoreSettings&) const = default;
};

struct SocketSettings {
    std::filesystem::path path = "/run/tickledger/api.sock";
    unsigned mode = 0660;
    /// The group of the socket; empty: the daemon's own.
    std::string group;
    /// "ADDRESS:PORT" of the same API over TCP; empty: off.
    std::string http;
    /// The file with the token that callers over TCP must show. Empty: no token, which is allowed only on a
    /// loopback address.
    std::string token_file;

    bool operator==(const SocketSettings&) const = default;
};

/// A price that holds from a civil date on.
struct DatedPrice {
    date::sys_days from{};
    Ratio price{};

    bool operator==(const DatedPrice&) const = default;
};

/// The supplier's prices. Without a price per m³ no cost is given.
struct TariffSettings {
    std::string currency;
    std::vector<DatedPrice> price_per_m3;
    std::vector<DatedPrice> standing_charge_per_day;

    bool operator==(const TariffSettings&) const = default;
};

/// The names that people give to a meter. They do not affect booking. In each, "{1}" stands for the same text
/// as in the meter's id; empty: not configured.
struct MeterNames {
    /// For example "Küche, kalt".
    std::string name;
    /// The group that it is listed and summed with, for example "staircase 2".
    std::string group;
    /// The id of the meter that the water passes before this one, for example the house's main meter.
    std::string parent;

    bool operator==(const MeterNames&) const = default;
};

/// A person who may read some of the meters over TCP, and change nothing.
struct TenantSettings {
    std::string name;
    /// The file with the tenant's token.
    std::string token_file;
    /// The ids of the tenant's meters. Ids from patterns are written out: "flat-7".
    std::vector<std::string> meters;
    /// Alternatively the group whose meters are the tenant's; empty: `meters` counts.
    std::string group;

    bool operator==(const TenantSettings&) const = default;
};

/// [site] max_meters if it is not given.
inline constexpr std::int64_t default_max_meters = 1000;

struct Configuration {
    /// An IANA name. If the file gives none, it is the system's zone.
    std::string timezone;
    /// The most meters that may exist; patterns open no more.
    std::int64_t max_meters = default_max_meters;
    BrokerSettings broker;
    StoreSettings store;
    SocketSettings socket;
    TariffSettings tariff;
    std::vector<MeterSettings> meters;
    /// The names of the meter at the same index in `meters`.
    std::vector<MeterNames> names;
    std::vector<TenantSettings> tenants;

    bool operator==(const Configuration&) const = default;
};

/// One mistake in the file, with its place (1-based; line 0 means the whole file).
struct Mistake {
    std::string file;
    unsigned line = 0;
    unsigned column = 0;
    std::string text;

    /// "tickledger.toml:12:9: unknown key `intervall` in [[meter]]; did you mean `interval`?"
    [[nodiscard]] std::string sentence() const;
};

/// The settings, and every mistake found. The settings are valid only if there is no mistake.
struct ConfigurationReading {
    Configuration configuration;
    std::vector<Mistake> mistakes;
};

/// Reads and checks a file. Never throws; a file that cannot be opened is a mistake.
[[nodiscard]] ConfigurationReading read_configuration(const std::filesystem::path& file);

/// Reads and checks a text. `name` is the file name in its mistakes.
[[nodiscard]] ConfigurationReading read_configuration_text(std::string_view text, std::string name);

/// The resolved settings as TOML that reads back to the same settings, as --check-config prints it.
[[nodiscard]] std::string to_toml(const Configuration& configuration);

/// Every key that the file may contain, with its table: "site.timezone", "meter.fields.count".
[[nodiscard]] std::vector<std::string> known_configuration_keys();

}  // namespace tickledger
