// The output of --check-config reads back to the same settings, whatever they are.
#include <rapidcheck.h>
#include <rapidcheck/catch.h>

#include <algorithm>
#include <catch2/catch.hpp>
#include <numeric>

#include "sentences.hpp"
#include "tickledger/draw.hpp"

using namespace tickledger;

namespace {

using rc::gen::element;
using rc::gen::inRange;

/// Any text without NUL, with every character that TOML has to escape.
std::string any_text() {
    return *rc::gen::container<std::string>(rc::gen::oneOf(
        inRange<char>(' ', '\x7f'), element('"', '\\', '\n', '\t', '\r', '\x01', '\x1f', '\x7f', '\'', '#')));
}

std::string one_or_more(char first, char last) {
    return *rc::gen::resize(20, rc::gen::nonEmpty(rc::gen::container<std::string>(
                                    inRange<char>(first, static_cast<char>(last + 1)))));
}

Duration any_duration(std::int64_t least) {
    const std::int64_t unit =
        *element<std::int64_t>(1, 1000, 1'000'000, 60'000'000, 3'600'000'000, 86'400'000'000);
    return Duration{unit * *inRange<std::int64_t>(least, 100'000)};
}

Ratio any_ratio(std::int64_t least) {
    const std::int64_t top =
        *inRange<std::int64_t>(least, *element<std::int64_t>(100, 1'000'000, 999'999'999'999'999'999));
    const std::int64_t bottom =
        *element<std::int64_t>(1, 3, 7, 10, 1000, 125'000'000, 999'999'999'999'999'999);
    const std::int64_t common = std::gcd(top, bottom);
    return {top / common, bottom / common};
}

std::optional<std::string> any_pointer(bool may_be_off) {
    if (may_be_off && *inRange(0, 4) == 0) return std::nullopt;
    std::string pointer;
    for (int i = *inRange(0, 4); i > 0; --i)
        pointer += *element<std::string>("/", "/a", "/~0", "/~1b", "/0", "/\"");
    return pointer;
}

AlarmSettings any_alarms() {
    AlarmSettings alarms;
    alarms.night_from = std::chrono::minutes{*inRange(0, 24 * 60)};
    const Duration night = std::chrono::minutes{*inRange(1, 24 * 60)};
    alarms.night_to = (alarms.night_from + night) % std::chrono::hours{24};
    alarms.still_for = std::min(any_duration(1), night);
    alarms.high_flow_l_per_h = any_ratio(1);
    alarms.high_flow_for = any_duration(0);
    alarms.long_draw_volume_l = any_ratio(1);
    alarms.long_draw_time = any_duration(1);
    alarms.stagnant_for = any_duration(1);
    alarms.away = *rc::gen::arbitrary<bool>();
    for (int kind = 0; kind < alarm_kind_count; ++kind) {
        auto* const list = *element<std::vector<AlarmKind>*>(nullptr, &alarms.off, &alarms.on);
        if (list) list->push_back(static_cast<AlarmKind>(kind));
    }
    return alarms;
}

MeterSettings any_meter(std::size_t number) {
    MeterSettings meter;
    const bool pattern = *rc::gen::arbitrary<bool>();
    // The number at the end keeps the ids of one file apart.
    meter.id = one_or_more('a', 'z') + (pattern ? "{1}" : "") + fmt::format("-{}", number);
    meter.topic =
        pattern ? "nodes/+/" + one_or_more('a', 'z') : *element<std::string>("nodes/a/b", "n/#", "+/x/\"y\"");
    meter.message =
        *element(MessageForm::counter, MessageForm::pulses, MessageForm::senml, MessageForm::volume);
    meter.fields = {any_pointer(false), any_pointer(true), any_pointer(true),  any_pointer(true),
                    any_pointer(true),  any_pointer(true), any_pointer(false), any_pointer(false)};
    meter.senml_name = any_text();
    meter.pulse_value_l = any_ratio(1);
    meter.q3_l_per_h = any_ratio(1);
    meter.counter_bits = *inRange(0, 64);
    meter.seq_bits = *inRange(2, 64);
    meter.checkpoint_ticks = *element<std::uint64_t>(0, 1, 100, 9'223'372'036'854'775'807U);
    if (meter.message == MessageForm::volume) {
        meter.volume_unit_l = *element(Ratio{1, 1}, Ratio{1000, 1}, Ratio{454'609, 100'000});
        meter.rolls_over_at_l = *element(Ratio{0, 1}, meter.pulse_value_l);
        meter.counter_bits = 0;
        meter.checkpoint_ticks = 1;
    }
    meter.cadence = any_duration(1);
    meter.interval = std::chrono::seconds{*element(1, 60, 300, 900, 3600, 5400, 86400)};
    meter.register_start_l = any_ratio(0);
    meter.register_range_l = any_ratio(0);
    meter.register_resolution_l = any_ratio(1);
    for (int day = 20'000; *rc::gen::inRange(0, 3) != 0; ++day)
        meter.pulse_value_changes.push_back({date::sys_days{date::days{day}}, any_ratio(1)});
    if (*rc::gen::arbitrary<bool>()) meter.uses = {DrawLabel::hose, DrawLabel::tap};
    meter.alarms = any_alarms();
    meter.alarms.silent_after = std::max(any_duration(1), meter.cadence * 2);
    return meter;
}

Configuration any_configuration() {
    Configuration configuration;
    configuration.timezone =
        *element<std::string>("UTC", "Europe/Lisbon", "America/St_Johns", "Pacific/Apia");
    BrokerSettings& broker = configuration.broker;
    const bool encrypted = *rc::gen::arbitrary<bool>();
    broker.url =
        (encrypted ? "mqtts://" : "mqtt://") + *element<std::string>("b.example", "[::1]:8883", "10.0.0.1:1");
    broker.client_id = "x" + any_text();
    broker.username = any_text();
    if (!broker.username.empty()) broker.password_file = any_text();
    if (encrypted) {
        broker.ca_file = any_text();
        if (*rc::gen::arbitrary<bool>()) {
            broker.cert_file = "c" + any_text();
            broker.key_file = "k" + any_text();
        }
    }
    broker.topic_root = one_or_more('A', 'Z');
    configuration.max_meters = *inRange<std::int64_t>(1, 1'000'001);
    configuration.store = {"/" + any_text(),
                           any_duration(0),
                           any_duration(0),
                           any_duration(1),
                           any_duration(0),
                           any_duration(1),
                           any_text(),
                           any_duration(1),
                           *inRange<std::int64_t>(0, 10'001),
                           *rc::gen::arbitrary<bool>()};
    StoreSettings& store = configuration.store;
    if (store.keep_backups > 0) store.backup_every = std::min(store.backup_every, store.keep_messages);
    configuration.socket = {"/" + one_or_more('!', '~'), *inRange(0U, 01000U), any_text(),
                            *element<std::string>("", "127.0.0.1:8470", "[::1]:65535", "10.0.0.1:80"),
                            "t" + any_text()};
    const std::size_t meters = *inRange<std::size_t>(1, 5);
    for (std::size_t number = 0; number < meters; ++number)
        configuration.meters.push_back(any_meter(number));
    for (std::size_t number = 0; number < meters; ++number) {
        MeterNames& names = configuration.names.emplace_back();
        names.name = *element<std::string>("", "Küche, kalt", "the \"old\" one \\", "#");
        names.group = *element<std::string>("", "staircase 2", "'");
        // The parent comes earlier in the list, so there is no cycle.
        if (number == 0) continue;
        const std::string& above = configuration.meters[*inRange<std::size_t>(0, number)].id;
        if (above.find("{1}") == std::string::npos && *rc::gen::arbitrary<bool>()) names.parent = above;
    }
    return configuration;
}

}  // namespace

TEST_CASE("Resolved settings read back to themselves", "[configuration][property]") {
    rc::prop("read(to_toml(c)) == c", [] {
        const Configuration configuration = any_configuration();
        const std::string text = to_toml(configuration);
        const auto reading = read_configuration_text(text, "t.toml");
        if (!reading.mistakes.empty()) RC_FAIL(testing::joined(reading) + "\n" + text);
        RC_ASSERT(to_toml(reading.configuration) == text);
        RC_ASSERT(reading.configuration == configuration);
    });
}

TEST_CASE("Any damaged text gives only mistakes with a place in it", "[configuration][property]") {
    rc::prop("a damaged file gives mistakes within it", [] {
        std::string text = to_toml(any_configuration());
        for (int i = *inRange(1, 6); i > 0; --i) {
            const auto at = *inRange<std::size_t>(0, text.size());
            if (*rc::gen::arbitrary<bool>())
                text.erase(at, *inRange<std::size_t>(1, 9));
            else
                text.insert(at, 1, *rc::gen::arbitrary<char>());
            if (text.empty()) return;
        }
        const auto lines = static_cast<unsigned>(std::count(text.begin(), text.end(), '\n')) + 1;
        for (const Mistake& mistake : read_configuration_text(text, "t.toml").mistakes) {
            RC_ASSERT(mistake.line <= lines);
            RC_ASSERT((mistake.line == 0) == (mistake.column == 0));
            RC_ASSERT(mistake.text.ends_with('.') || mistake.text.ends_with('?'));
        }
    });
}
