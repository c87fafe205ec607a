#include "configuration/configuration.hpp"

#include <fmt/format.h>

#include <array>
#include <cerrno>
#include <cstdio>
#include <memory>
#include <system_error>

#include "configuration/document.hpp"
#include "configuration/meter_tables.hpp"
#include "configuration/mistakes.hpp"
#include "configuration/options.hpp"
#include "configuration/parsers.hpp"
#include "configuration/system_timezone.hpp"
#include "configuration/tenant_tables.hpp"
#include "core/spelling.hpp"

namespace tickledger {

using toml_file::Kind;
using toml_file::Value;

namespace {

void check_broker(const Value& table, const BrokerSettings& broker, Mistakes& mistakes) {
    const auto place_of = [&](std::string_view key) {
        const Value* value = table.find(key);
        return value ? value->place : table.place;
    };
    if (!broker.password_file.empty() && broker.username.empty()) {
        mistakes.add(
            place_of("password_file"),
            "`password_file` is given without a `username`. Write the name that the password belongs to, for "
            "example username = \"ledger\".");
    }
    if (!broker.url.starts_with("mqtts://")) {
        for (const auto& [key, file] :
             {std::pair{"ca_file", &broker.ca_file}, std::pair{"cert_file", &broker.cert_file},
              std::pair{"key_file", &broker.key_file}}) {
            if (file->empty()) continue;
            mistakes.add(place_of(key),
                         fmt::format("`{}` is used only on an encrypted link. Let `url` begin with "
                                     "mqtts://, or leave `{}` out.",
                                     key, key));
        }
    }
    if (!broker.cert_file.empty() && broker.key_file.empty()) {
        mistakes.add(place_of("cert_file"),
                     "`cert_file` is given without a `key_file`. Write the file with its private key too.");
    }
    if (!broker.key_file.empty() && broker.cert_file.empty()) {
        mistakes.add(place_of("key_file"),
                     "`key_file` is given without a `cert_file`. Write the file with its certificate too.");
    }
}

/// After a damaged ledger, messages since the last backup can be booked again only if they are still kept.
void check_store(const Value& table, const StoreSettings& store, Mistakes& mistakes) {
    if (store.keep_backups == 0 || store.backup_every <= store.keep_messages) return;
    const Value* every = table.find("backup_every");
    const Value* keep = table.find("keep_messages");
    mistakes.add((every  ? every
                  : keep ? keep
                         : &table)
                     ->place,
                 fmt::format("`backup_every` is {}, but messages are kept for {} only. Messages older than "
                             "that and newer than the last backup would be lost with a damaged ledger. Back "
                             "up more often, or write a longer `keep_messages`.",
                             format_duration(store.backup_every), format_duration(store.keep_messages)));
}

void check_socket(const Value& table, const SocketSettings& socket, Mistakes& mistakes) {
    if (socket.http.empty() || !socket.token_file.empty() || is_loopback_address(socket.http)) return;
    const Value* http = table.find("http");
    mistakes.add(
        (http ? http : &table)->place,
        fmt::format("`http`: \"{}\" can be reached by other machines, and without a `token_file` all of "
                    "them could read and change everything. Set `token_file`. Or use a loopback address, "
                    "and reach it from elsewhere through SSH or a proxy that asks for a password.",
                    socket.http));
}

void add_unknown_table(const toml_file::Member& member, Mistakes& mistakes) {
    const std::vector<std::string_view> known{"site",   "broker", "store", "socket",
                                              "tariff", "meter",  "tenant"};
    const auto bracketed = [](std::string_view key) {
        return key == "meter" || key == "tenant" ? fmt::format("[[{}]]", key) : fmt::format("[{}]", key);
    };
    const bool is_table = member.value.kind == Kind::table || member.value.kind == Kind::list;
    if (is_table) {
        const auto meant = nearest(member.key, known);
        mistakes.add(
            member.place,
            meant ? fmt::format("unknown table `{}`; did you mean {}?", member.key, bracketed(*meant))
                  : fmt::format("unknown table `{}`. Take it out, or write one of [site], [broker], [store], "
                                "[socket], [tariff], [[meter]], [meter.alarms], [[tenant]].",
                                member.key));
        return;
    }
    for (const TableKeys& table : schema_tables()) {
        for (const std::string_view key : table.keys) {
            if (key != member.key) continue;
            mistakes.add(member.place,
                         fmt::format("`{}` comes before any table; it belongs in {}. Write that line above "
                                     "it.",
                                     member.key, table.title));
            return;
        }
    }
    mistakes.add(member.place,
                 fmt::format("unknown key `{}` before any table. Take it out, or write the table that it "
                             "belongs in above it.",
                             member.key));
}

void read_root(const Value& root, Configuration& configuration, Mistakes& mistakes) {
    SiteSettings site;
    const Value* meters = nullptr;
    const Value* tenants = nullptr;
    for (const auto& member : root.members) {
        const Value& value = member.value;
        if (member.key == "site") {
            read_table(value, site_title, site_options(), site, mistakes);
        } else if (member.key == "broker") {
            read_table(value, broker_title, broker_options(), configuration.broker, mistakes);
            check_broker(value, configuration.broker, mistakes);
        } else if (member.key == "store") {
            read_table(value, store_title, store_options(), configuration.store, mistakes);
            check_store(value, configuration.store, mistakes);
        } else if (member.key == "socket") {
            read_table(value, socket_title, socket_options(), configuration.socket, mistakes);
            check_socket(value, configuration.socket, mistakes);
        } else if (member.key == "tariff") {
            read_table(value, tariff_title, tariff_options(), configuration.tariff, mistakes);
        } else if (member.key == "meter") {
            meters = &value;
        } else if (member.key == "tenant") {
            tenants = &value;
        } else {
            add_unknown_table(member, mistakes);
        }
    }
    // Meters are read last, wherever they are in the file, because they are checked against the broker's
    // settings.
    if (meters) read_meters(*meters, configuration, mistakes);
    if (tenants) read_tenants(*tenants, configuration, mistakes);
    configuration.timezone = site.timezone.empty() ? system_timezone() : site.timezone;
    configuration.max_meters = site.max_meters;
}

/// Reads a whole file; fails with the system's own words. It uses C files because they keep the reason in
/// errno.
Result<std::string> read_whole(const std::filesystem::path& path) {
    const std::unique_ptr<std::FILE, int (*)(std::FILE*)> file{std::fopen(path.c_str(), "rbe"), &std::fclose};
    if (!file) return fail(std::generic_category().message(errno));
    std::string text;
    std::array<char, 4096> block{};
    while (const std::size_t size = std::fread(block.data(), 1, block.size(), file.get())) {
        text.append(block.data(), size);
    }
    if (std::ferror(file.get()) != 0) return fail(std::generic_category().message(errno));
    return text;
}

}  // namespace

std::string Mistake::sentence() const {
    return line == 0 ? fmt::format("{}: {}", file, text)
                     : fmt::format("{}:{}:{}: {}", file, line, column, text);
}

ConfigurationReading read_configuration_text(std::string_view text, std::string name) {
    ConfigurationReading reading;
    Mistakes mistakes{std::move(name)};
    const Value root = toml_file::parse_document(text, mistakes);
    // After a syntax error the rest of the file is unknown.
    if (mistakes.count() == 0) read_root(root, reading.configuration, mistakes);
    reading.mistakes = mistakes.take();
    return reading;
}

ConfigurationReading read_configuration(const std::filesystem::path& file) {
    const auto text = read_whole(file);
    if (text) return read_configuration_text(*text, file.string());
    return {
        {},
        {{file.string(), 0, 0,
          fmt::format("the configuration cannot be read: {}. Check the path given with --config and who may "
                      "read the file.",
                      text.error().text)}}};
}

std::vector<std::string> known_configuration_keys() {
    std::vector<std::string> keys;
    for (const TableKeys& table : schema_tables()) {
        for (const std::string_view key : table.keys)
            keys.push_back(fmt::format("{}.{}", table.path, key));
    }
    return keys;
}

}  // namespace tickledger
