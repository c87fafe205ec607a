// The configuration file: TOML in, settings or every mistake out.
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
    /// Days that ended longer ago take a tenth of the room in the ledger.
    Duration pack_after = std::chrono::hours{24 * 7};
    Duration keep_readings = std::chrono::hours{24 * 400};
    /// Where backups of the ledger lie; empty: `backups` in the store's directory.
    std::filesystem::path backup_directory;
    Duration backup_every = std::chrono::hours{24};
    /// How many backups are kept; 0: none are made.
    std::int64_t keep_backups = 7;
    /// SQLite's index of the write-ahead log lies in the daemon's memory, not in a file that others share.
    bool has_index_in_memory = false;

    [[nodiscard]] std::filesystem::path backups() const {
        return backup_directory.empty() ? directory / "backups" : backup_directory;
    }

    bool operator==(const StoreSettings&) const = default;
};

struct SocketSettings {
    std::filesystem::path path = "/run/tickledger/api.sock";
    unsigned mode = 0660;
    /// The group that the socket belongs to; empty: the daemon's own.
    std::string group;
    /// "ADDRESS:PORT" of the same API over TCP; empty: off.
    std::string http;
    /// Holds the word that callers over TCP must know; empty: none, which only a loopback address may have.
    std::string token_file;

    bool operator==(const SocketSettings&) const = default;
};

/// A price from a civil date on.
struct DatedPrice {
    date::sys_days from{};
    Ratio price{};

    bool operator==(const DatedPrice&) const = default;
};

/// What the supplier asks. Without a price there is no cost.
struct TariffSettings {
    std::string currency;
    std::vector<DatedPrice> price_per_m3;
    std::vector<DatedPrice> standing_charge_per_day;

    bool operator==(const TariffSettings&) const = default;
};

/// What people call a meter. It changes nothing that is booked. In each, "{1}" stands for what it stands for
/// in the meter's id; empty: none.
struct MeterNames {
    /// "Küche, kalt".
    std::string name;
    /// What it is listed and summed with: "staircase 2".
    std::string group;
    /// The id of the meter that the water passes before this one: the main meter of the house.
    std::string parent;

    bool operator==(const MeterNames&) const = default;
};

/// Somebody who may read some of the meters over TCP, and change nothing.
struct TenantSettings {
    std::string name;
    /// Holds the word that he must know.
    std::string token_file;
    /// The ids of the meters that are there for him; those of a pattern are written out: "flat-7".
    std::vector<std::string> meters;
    /// Or those of a group; empty: none.
    std::string group;

    bool operator==(const TenantSettings&) const = default;
};

/// [site] max_meters where nobody says otherwise.
inline constexpr std::int64_t default_max_meters = 1000;

struct Configuration {
    /// Empty in the file: the system's zone, resolved to its IANA name when read.
    std::string timezone;
    /// Patterns open no more meters than this.
    std::int64_t max_meters = default_max_meters;
    BrokerSettings broker;
    StoreSettings store;
    SocketSettings socket;
    TariffSettings tariff;
    std::vector<MeterSettings> meters;
    /// Of the meter at the same place in `meters`.
    std::vector<MeterNames> names;
    std::vector<TenantSettings> tenants;

    bool operator==(const Configuration&) const = default;
};

/// One mistake in the file, with its place (1-based; 0 where the whole file is meant).
struct Mistake {
    std::string file;
    unsigned line = 0;
    unsigned column = 0;
    std::string text;

    /// "tickledger.toml:12:9: unknown key `intervall` in [[meter]]; did you mean `interval`?"
    [[nodiscard]] std::string sentence() const;
};

/// The settings, and every mistake found; the settings count only where there is no mistake.
struct ConfigurationReading {
    Configuration configuration;
    std::vector<Mistake> mistakes;
};

/// Reads and checks a file. Never throws; a file that cannot be opened is a mistake.
[[nodiscard]] ConfigurationReading read_configuration(const std::filesystem::path& file);

/// The same from text; `name` stands in the mistakes.
[[nodiscard]] ConfigurationReading read_configuration_text(std::string_view text, std::string name);

/// The resolved settings as TOML that reads back to the same settings: what --check-config prints.
[[nodiscard]] std::string to_toml(const Configuration& configuration);

/// Every key that the file may hold, with its table: "site.timezone", "meter.fields.count".
[[nodiscard]] std::vector<std::string> known_configuration_keys();

}  // namespace tickledger
