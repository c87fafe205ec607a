// This file is long because it is one table of all options, to be read from top to bottom.
#include "configuration/options.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <limits>

#include "configuration/option_kinds.hpp"
#include "configuration/parsers.hpp"
#include "core/spelling.hpp"

namespace tickledger {

using toml_file::Kind;
using toml_file::toml_text;
using toml_file::Value;

namespace {

/// A ratio as a decimal if that has at most 18 digits, otherwise as a ratio: "2.5", "1/3".
std::string print_ratio(Ratio ratio) {
    constexpr std::int64_t limit = 1'000'000'000'000'000'000;
    std::int64_t power = 1;
    for (int digits = 0; digits < 18; ++digits, power *= 10) {
        std::int64_t scaled = 0;
        if (power % ratio.denominator != 0) continue;
        if (__builtin_mul_overflow(ratio.numerator, power / ratio.denominator, &scaled) || scaled >= limit)
            break;
        return decimal(scaled, digits);
    }
    return fmt::format("{}/{}", ratio.numerator, ratio.denominator);
}

std::string print_volume_l(const Ratio& volume_l) {
    return print_ratio(volume_l) + " L";
}
std::string print_unit(const Ratio& unit_l) {
    for (const std::string_view name : volume_units) {
        if (parse_unit_l(name) == unit_l) return std::string(name);
    }
    return "L";
}
std::string print_flow_l_per_h(const Ratio& flow_l_per_h) {
    return print_ratio(flow_l_per_h) + " L/h";
}
std::string print_mode(const unsigned& mode) {
    return fmt::format("{:04o}", mode);
}

std::string print_ledger_index(const bool& is_in_memory) {
    return is_in_memory ? "memory" : "file";
}

std::string print_time_of_day(Duration time) {
    const auto minutes = std::chrono::duration_cast<std::chrono::minutes>(time).count();
    return fmt::format("{:02}:{:02}", minutes / 60, minutes % 60);
}

// Options that are not a plain value.

/// `q4` is another way to give `q3`, so only `q3` is written back.
void read_q4(const Value& value, MeterSettings& meter, Mistakes& mistakes) {
    if (const auto q3 = read_text(value, "q4", "\"3.125 m3/h\"", parse_q4_as_q3_l_per_h, mistakes)) {
        meter.q3_l_per_h = *q3;
    }
}

void read_fields(const Value& value, MeterSettings& meter, Mistakes& mistakes) {
    if (value.kind != Kind::table) {
        add_wrong_kind(value, "fields", "a table of JSON Pointers", "{ count = \"/count\" }", mistakes);
        return;
    }
    read_table(value, fields_title, field_options(), meter.fields, mistakes);
}

std::string write_fields(const MeterSettings& meter) {
    std::string out;
    for (const auto& option : field_options()) {
        out += fmt::format("{}{} = {}", out.empty() ? "{ " : ", ", option.key, option.write(meter.fields));
    }
    return out + " }";
}

/// Reads a table of dates and the values in force from them. `add` gets each date with its parsed value, in
/// order of time.
template <typename Parse, typename Add>
void read_dated(const Value& value, std::string_view key, std::string_view example, Parse parse, Add add,
                Mistakes& mistakes) {
    if (value.kind != Kind::table) {
        add_wrong_kind(value, key, "a table of dates and values",
                       fmt::format("{{ \"2026-03-01\" = {} }}", example), mistakes);
        return;
    }
    std::vector<std::pair<date::sys_days, Ratio>> dated;
    for (const auto& member : value.members) {
        const auto from = parse_date(member.key);
        if (!from) {
            mistakes.add(member.place, fmt::format("`{}`: {}", key, from.error().text));
            continue;
        }
        if (const auto read = read_text(member.value, key, example, parse, mistakes))
            dated.emplace_back(*from, *read);
    }
    std::sort(dated.begin(), dated.end(), [](const auto& a, const auto& b) { return a.first < b.first; });
    for (const auto& [from, what] : dated)
        add(from, what);
}

std::string write_dated(const std::vector<std::pair<date::sys_days, std::string>>& dated) {
    std::string out;
    for (const auto& [from, text] : dated) {
        out += fmt::format("{} {} = {}", out.empty() ? "" : ",", toml_text(date::format("%F", from)),
                           toml_text(text));
    }
    return out.empty() ? "{}" : "{" + out + " }";
}

void read_pulse_value_from(const Value& value, MeterSettings& meter, Mistakes& mistakes) {
    meter.pulse_value_changes.clear();
    read_dated(
        value, "pulse_value_from", "\"0.998 L\"", parse_pulse_l,
        [&](date::sys_days from, Ratio read) {
            meter.pulse_value_changes.push_back({from, read});
        },
        mistakes);
}

std::string write_pulse_value_from(const MeterSettings& meter) {
    std::vector<std::pair<date::sys_days, std::string>> dated;
    for (const DatedPulseValue& change : meter.pulse_value_changes)
        dated.emplace_back(change.from, print_volume_l(change.pulse_value_l));
    return write_dated(dated);
}

Option<TariffSettings> price_option(std::string_view key, std::vector<DatedPrice> TariffSettings::*member) {
    return {key,
            [=](const Value& value, TariffSettings& tariff, Mistakes& mistakes) {
                (tariff.*member).clear();
                read_dated(
                    value, key, "\"2.35\"", parse_price,
                    [&](date::sys_days from, Ratio price) {
                        (tariff.*member).push_back({from, price});
                    },
                    mistakes);
            },
            [=](const TariffSettings& tariff) {
                std::vector<std::pair<date::sys_days, std::string>> dated;
                for (const DatedPrice& price : tariff.*member)
                    dated.emplace_back(price.from, print_ratio(price.price));
                return write_dated(dated);
            }};
}

void read_alarms(const Value& value, MeterSettings& meter, Mistakes& mistakes) {
    const std::size_t before = mistakes.count();
    AlarmSettings& alarms = meter.alarms;
    read_table(value, alarms_title, alarm_options(), alarms, mistakes);
    if (mistakes.count() != before) return;
    for (const AlarmKind kind : alarms.on) {
        if (alarms.is_on(kind)) continue;
        const Value* on = value.find("on");
        mistakes.add((on ? *on : value).place,
                     fmt::format("`on` and `off` both name {}. Take it out of one of them.", name_of(kind)));
    }
    const Duration day = std::chrono::hours{24};
    const Duration night = (alarms.night_to - alarms.night_from + day) % day;
    if (alarms.still_for > night) {
        const Value* still_for = value.find("still_for");
        mistakes.add(
            (still_for ? *still_for : value).place,
            fmt::format("`still_for` is {}, but the night is only {} long, so that every night would raise "
                        "night-flow. Write a shorter `still_for` or a longer `night`.",
                        format_duration(alarms.still_for), format_duration(night)));
    }
}

/// A JSON Pointer, or false if the field is not to be read.
Option<FieldPointers> field_option(std::string_view key, std::optional<std::string> FieldPointers::*member,
                                   bool may_be_off) {
    return {key,
            [=](const Value& value, FieldPointers& fields, Mistakes& mistakes) {
                if (may_be_off && value.kind == Kind::truth && !value.truth) {
                    fields.*member = std::nullopt;
                } else if (auto pointer = read_text(value, key, fmt::format("\"/{}\"", key),
                                                    parse_json_pointer, mistakes)) {
                    fields.*member = std::move(*pointer);
                }
            },
            [=](const FieldPointers& fields) {
                const auto& pointer = fields.*member;
                return pointer ? toml_text(*pointer) : "false";
            }};
}

void read_night(const Value& value, AlarmSettings& alarms, Mistakes& mistakes) {
    constexpr std::string_view example = "[\"01:00\", \"05:00\"]";
    if (value.kind != Kind::list || value.items.size() != 2) {
        const std::string found = value.kind == Kind::list ? fmt::format("a list of {}", value.items.size())
                                                           : std::string{toml_file::name_of(value.kind)};
        mistakes.add(value.place,
                     fmt::format("`night` must be two times of day, its beginning and its end, but it is {}. "
                                 "Write night = {}.",
                                 found, example));
        return;
    }
    const auto from = read_text(value.items[0], "night", example, parse_time_of_day, mistakes);
    const auto to = read_text(value.items[1], "night", example, parse_time_of_day, mistakes);
    if (!from || !to) return;
    if (*from == *to) {
        mistakes.add(
            value.place,
            fmt::format("`night` begins and ends at the same time. Write two different times of day, "
                        "for example night = {}.",
                        example));
        return;
    }
    alarms.night_from = *from;
    alarms.night_to = *to;
}

void read_away(const Value& value, AlarmSettings& alarms, Mistakes& mistakes) {
    if (value.kind != Kind::truth) {
        add_wrong_kind(value, "away", "true or false without quotes", "false", mistakes);
        return;
    }
    alarms.away = value.truth;
}

/// An option that is a list of texts in quotes. A text that is there twice counts once. `example` is TOML.
template <typename Settings, typename T>
Option<Settings> list_option(std::string_view key, std::vector<T> Settings::*member, std::string_view wanted,
                             std::string_view example, Result<T> (*parse)(std::string_view)) {
    return {key,
            [=](const Value& value, Settings& settings, Mistakes& mistakes) {
                if (value.kind != Kind::list) {
                    add_wrong_kind(value, key, wanted, example, mistakes);
                    return;
                }
                auto& list = settings.*member;
                list.clear();
                for (const Value& item : value.items) {
                    const auto read = read_text(item, key, example, parse, mistakes);
                    if (read && std::ranges::find(list, *read) == list.end()) list.push_back(*read);
                }
            },
            [=](const Settings& settings) {
                std::string out;
                for (const T& one : settings.*member)
                    out += fmt::format("{}{}", out.empty() ? "" : ", ", toml_text(print(one)));
                return fmt::format("[{}]", out);
            }};
}

template <typename Settings>
std::vector<std::string_view> keys_of(const Options<Settings>& options) {
    std::vector<std::string_view> keys;
    for (const auto& option : options)
        keys.push_back(option.key);
    return keys;
}

std::vector<std::string_view> keys_of_meter() {
    std::vector<std::string_view> keys = keys_of(meter_options());
    const std::vector<std::string_view> names = keys_of(name_options());
    keys.insert(keys.end(), names.begin(), names.end());
    return keys;
}

}  // namespace

const Options<SiteSettings>& site_options() {
    static const Options<SiteSettings> options{
        text_option("timezone", &SiteSettings::timezone, "Europe/Lisbon", parse_timezone),
        whole_number_option("max_meters", &SiteSettings::max_meters, 1, 1'000'000),
    };
    return options;
}

const Options<BrokerSettings>& broker_options() {
    using S = BrokerSettings;
    static const Options<S> options{
        text_option("url", &S::url, "mqtt://127.0.0.1:1883", parse_broker_url),
        text_option("client_id", &S::client_id, "tickledger", parse_client_id),
        text_option("username", &S::username, "ledger", parse_any_text),
        text_option("password_file", &S::password_file, "/etc/tickledger/broker.password", parse_any_text),
        text_option("ca_file", &S::ca_file, "/etc/tickledger/ca.pem", parse_any_text),
        text_option("cert_file", &S::cert_file, "/etc/tickledger/client.pem", parse_any_text),
        text_option("key_file", &S::key_file, "/etc/tickledger/client.key", parse_any_text),
        text_option("topic_root", &S::topic_root, "tickledger", parse_topic_root),
    };
    return options;
}

const Options<StoreSettings>& store_options() {
    using S = StoreSettings;
    static const Options<S> options{
        text_option("directory", &S::directory, "/var/lib/tickledger", parse_path),
        text_option("commit_every", &S::commit_every, "1s", parse_setting_duration),
        text_option("sync_every", &S::sync_every, "1s", parse_setting_duration),
        text_option("keep_messages", &S::keep_messages, "7d", parse_positive_duration),
        text_option("pack_after", &S::pack_after, "7d", parse_setting_duration),
        text_option("keep_readings", &S::keep_readings, "400d", parse_positive_duration),
        text_option("backup_directory", &S::backup_directory, "/mnt/backup/tickledger", parse_path_or_none),
        text_option("backup_every", &S::backup_every, "1d", parse_positive_duration),
        whole_number_option("keep_backups", &S::keep_backups, 0, 10'000),
        text_option("ledger_index", &S::has_index_in_memory, "file", parse_ledger_index, print_ledger_index),
    };
    return options;
}

const Options<SocketSettings>& socket_options() {
    using S = SocketSettings;
    static const Options<S> options{
        text_option("path", &S::path, "/run/tickledger/api.sock", parse_socket_path),
        text_option("mode", &S::mode, "0660", parse_mode, print_mode),
        text_option("group", &S::group, "tickledger", parse_any_text),
        text_option("http", &S::http, "127.0.0.1:8470", parse_http_address),
        text_option("token_file", &S::token_file, "/etc/tickledger/http.token", parse_any_text),
    };
    return options;
}

const Options<TariffSettings>& tariff_options() {
    using S = TariffSettings;
    static const Options<S> options{
        text_option("currency", &S::currency, "EUR", parse_any_text),
        price_option("price_per_m3", &S::price_per_m3),
        price_option("standing_charge_per_day", &S::standing_charge_per_day),
    };
    return options;
}

const Options<MeterSettings>& meter_options() {
    using S = MeterSettings;
    constexpr auto most = std::numeric_limits<std::int64_t>::max();
    static const Options<S> options{
        text_option("id", &S::id, "house", parse_meter_id),
        text_option("topic", &S::topic, "nodes/cellar/water", parse_topic_filter),
        text_option("message", &S::message, "counter", parse_message_form),
        {"fields", read_fields, write_fields},
        text_option("unit", &S::volume_unit_l, "m3", parse_unit_l, print_unit),
        text_option("rolls_over_at", &S::rolls_over_at_l, "100000 m3", parse_register_l, print_volume_l),
        text_option("senml_name", &S::senml_name, "urn:dev:ow:10e2073a01080063:water", parse_any_text),
        text_option("pulse_value", &S::pulse_value_l, "1 L", parse_pulse_l, print_volume_l),
        text_option("q3", &S::q3_l_per_h, "2.5 m3/h", parse_positive_flow_l_per_h, print_flow_l_per_h),
        {"q4", read_q4, [](const S&) { return std::string{}; }},
        whole_number_option("counter_bits", &S::counter_bits, 0, 63),
        whole_number_option("seq_bits", &S::seq_bits, 2, 63),
        whole_number_option("checkpoint_ticks", &S::checkpoint_ticks, 0, most),
        text_option("cadence", &S::cadence, "3min", parse_positive_duration),
        text_option("interval", &S::interval, "15min", parse_interval),
        text_option("register_start", &S::register_start_l, "0 m3", parse_register_l, print_volume_l),
        text_option("register_range", &S::register_range_l, "10000 m3", parse_register_l, print_volume_l),
        text_option("register_resolution", &S::register_resolution_l, "1 L", parse_positive_volume_l,
                    print_volume_l),
        {"pulse_value_from", read_pulse_value_from, write_pulse_value_from},
        list_option("uses", &S::uses, "a list of uses", "[\"hose\", \"tap\"]", parse_use),
        {"alarms", read_alarms, [](const S&) { return std::string{}; }},
    };
    return options;
}

const Options<MeterNames>& name_options() {
    using S = MeterNames;
    static const Options<S> options{
        text_option("name", &S::name, "Kitchen, cold", parse_name),
        text_option("group", &S::group, "staircase 2", parse_name),
        text_option("parent", &S::parent, "house", parse_name),
    };
    return options;
}

const Options<TenantSettings>& tenant_options() {
    using S = TenantSettings;
    static const Options<S> options{
        text_option("name", &S::name, "Flat 7", parse_name),
        text_option("token_file", &S::token_file, "/etc/tickledger/flat-7.token", parse_any_text),
        list_option("meters", &S::meters, "a list of ids of meters", "[\"flat-7\"]", parse_meter_id),
        text_option("group", &S::group, "staircase 2", parse_name),
    };
    return options;
}

const Options<FieldPointers>& field_options() {
    using S = FieldPointers;
    static const Options<S> options{
        field_option("count", &S::count, false),   field_option("boot", &S::boot, true),
        field_option("seq", &S::seq, true),        field_option("time", &S::time, true),
        field_option("saved", &S::saved, true),    field_option("uptime", &S::uptime, true),
        field_option("pulses", &S::pulses, false), field_option("volume", &S::volume, false),
    };
    return options;
}

const Options<AlarmSettings>& alarm_options() {
    using S = AlarmSettings;
    static const Options<S> options{
        {"night", read_night,
         [](const S& alarms) {
             return fmt::format("[\"{}\", \"{}\"]", print_time_of_day(alarms.night_from),
                                print_time_of_day(alarms.night_to));
         }},
        text_option("still_for", &S::still_for, "30min", parse_positive_duration),
        text_option("high_flow", &S::high_flow_l_per_h, "1.8 m3/h", parse_positive_flow_l_per_h,
                    print_flow_l_per_h),
        text_option("high_flow_for", &S::high_flow_for, "10min", parse_setting_duration),
        text_option("long_draw_volume", &S::long_draw_volume_l, "500 L", parse_positive_volume_l,
                    print_volume_l),
        text_option("long_draw_time", &S::long_draw_time, "2h", parse_positive_duration),
        text_option("silent_after", &S::silent_after, "15min", parse_positive_duration),
        {"away", read_away, [](const S& alarms) { return std::string{alarms.away ? "true" : "false"}; }},
        text_option("stagnant_for", &S::stagnant_for, "72h", parse_positive_duration),
        list_option("off", &S::off, "a list of kinds of alarm", "[\"slow-leak\"]", parse_alarm_kind),
        list_option("on", &S::on, "a list of kinds of alarm", "[\"stagnation\"]", parse_alarm_kind),
    };
    return options;
}

const std::vector<TableKeys>& schema_tables() {
    static const std::vector<TableKeys> tables{
        {site_title, "site", keys_of(site_options())},
        {broker_title, "broker", keys_of(broker_options())},
        {store_title, "store", keys_of(store_options())},
        {socket_title, "socket", keys_of(socket_options())},
        {tariff_title, "tariff", keys_of(tariff_options())},
        {meter_title, "meter", keys_of_meter()},
        {fields_title, "meter.fields", keys_of(field_options())},
        {alarms_title, "meter.alarms", keys_of(alarm_options())},
        {tenant_title, "tenant", keys_of(tenant_options())},
    };
    return tables;
}

void add_unknown_key(const toml_file::Member& member, std::string_view title, Mistakes& mistakes) {
    std::vector<std::string_view> own;
    std::string_view home;
    for (const TableKeys& table : schema_tables()) {
        const bool knows = std::find(table.keys.begin(), table.keys.end(), member.key) != table.keys.end();
        if (table.title == title)
            own = table.keys;
        else if (knows && home.empty())
            home = table.title;
    }
    std::string text = fmt::format("unknown key `{}` in {}", member.key, title);
    if (!home.empty()) {
        text += fmt::format("; it belongs in {}. Move it there.", home);
    } else if (const auto meant = nearest(member.key, own)) {
        text += fmt::format("; did you mean `{}`?", *meant);
    } else {
        text += fmt::format(". Take it out, or write one of `{}`.", fmt::join(own, "`, `"));
    }
    mistakes.add(member.place, std::move(text));
}

}  // namespace tickledger
