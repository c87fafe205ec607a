// The settings read from a valid file.
#include <unistd.h>

#include <catch2/catch.hpp>
#include <filesystem>
#include <fstream>
#include <string>

#include "sentences.hpp"

using namespace tickledger;
using namespace std::chrono_literals;

namespace {

Configuration right(std::string_view text) {
    const auto reading = read_configuration_text(text, "t.toml");
    REQUIRE(testing::joined(reading).empty());
    return reading.configuration;
}

MeterSettings meter_with(std::string_view lines) {
    return right(fmt::format("[[meter]]\nid = \"house\"\ntopic = \"nodes/cellar/water\"\n{}\n", lines))
        .meters.at(0);
}

}  // namespace

TEST_CASE("A whole file is read", "[configuration]") {
    const Configuration read = right(R"(
[site]
timezone = "Europe/Lisbon"
max_meters = 12000
[broker]
url = "mqtts://broker.example:8883"
client_id = "cellar"
username = "ledger"
password_file = "/etc/tickledger/broker.password"
ca_file = "ca.pem"
cert_file = "cert.pem"
key_file = "key.pem"
topic_root = "home/water"
[store]
directory = "/srv/ledger"
commit_every = "0"
sync_every = "250ms"
keep_messages = "30d"
pack_after = "3d"
keep_readings = "800d"
backup_directory = "/mnt/card"
backup_every = "12h"
keep_backups = 14
ledger_index = "memory"
[socket]
path = "/tmp/api.sock"
mode = "0600"
group = "water"
http = "[::1]:8470"
token_file = "/etc/tickledger/http.token"
[[meter]]
id = "flat-{1}"
topic = "flats/+/water"
message = "senml"
fields = { count = "", time = false }
senml_name = "cold"
pulse_value = "1/3 L"
q4 = "5 m3/h"
counter_bits = 0
seq_bits = 8
checkpoint_ticks = 10
cadence = "1h"
interval = "1h"
register_start = "12.345 m3"
[meter.alarms]
night = ["23:30", "04:00"]
still_for = "1h"
high_flow = "30 L/min"
high_flow_for = "0s"
long_draw_volume = "1 m3"
long_draw_time = "90min"
silent_after = "1d"
away = true
stagnant_for = "7d"
off = ["slow-leak", "high-flow", "slow-leak"]
on = ["stagnation", "long-draw"]
)");
    CHECK(read.timezone == "Europe/Lisbon");
    CHECK(read.max_meters == 12000);
    CHECK(read.broker == BrokerSettings{"mqtts://broker.example:8883", "cellar", "ledger",
                                        "/etc/tickledger/broker.password", "ca.pem", "cert.pem", "key.pem",
                                        "home/water"});
    CHECK(read.store ==
          StoreSettings{"/srv/ledger", 0s, 250ms, 24h * 30, 24h * 3, 24h * 800, "/mnt/card", 12h, 14, true});
    CHECK(read.socket ==
          SocketSettings{"/tmp/api.sock", 0600, "water", "[::1]:8470", "/etc/tickledger/http.token"});
    MeterSettings flats;
    flats.id = "flat-{1}";
    flats.topic = "flats/+/water";
    flats.message = MessageForm::senml;
    flats.fields.count = "";
    flats.fields.time = std::nullopt;
    flats.senml_name = "cold";
    flats.pulse_value_l = {1, 3};
    flats.q3_l_per_h = {4000, 1};
    flats.counter_bits = 0;
    flats.seq_bits = 8;
    flats.checkpoint_ticks = 10;
    flats.cadence = 1h;
    flats.interval = 1h;
    flats.register_start_l = {12345, 1};
    flats.alarms = {23h + 30min, 4h,
                    1h,          {1800, 1},
                    0s,          {1000, 1},
                    90min,       24h,
                    true,        {AlarmKind::slow_leak, AlarmKind::high_flow},
                    24h * 7,     {AlarmKind::stagnation, AlarmKind::long_draw}};
    REQUIRE(read.meters.size() == 1);
    CHECK(read.meters[0] == flats);
}

TEST_CASE("Fields that are left out keep their defaults", "[configuration]") {
    const FieldPointers fields = meter_with(R"(fields = { seq = "/n~1r", boot = "/b/0" })").fields;
    FieldPointers expected;
    expected.seq = "/n~1r";
    expected.boot = "/b/0";
    CHECK(fields == expected);
}

TEST_CASE("Q3 follows from Q4 exactly", "[configuration]") {
    CHECK(meter_with(R"(q4 = "3.125 m3/h")").q3_l_per_h == Ratio{2500, 1});
    CHECK(meter_with(R"(q4 = "1/3 L/h")").q3_l_per_h == Ratio{4, 15});
    CHECK(meter_with(R"(q4 = "5/8 L/h")").q3_l_per_h == Ratio{1, 2});
}

TEST_CASE("Meters that share a topic or part of a name stay apart", "[configuration]") {
    // Two names in one SenML pack, and patterns that match no common id.
    CHECK(right(R"(
[[meter]]
id = "{1}-hot"
topic = "flats/+/water"
message = "senml"
senml_name = "hot"
[[meter]]
id = "{1}-cold"
topic = "flats/+/water"
message = "senml"
senml_name = "cold"
)")
              .meters.size() == 2);
}

TEST_CASE("Nodes may send below the topic root, beside what is published there", "[configuration]") {
    CHECK(right("[broker]\ntopic_root = \"water\"\n[[meter]]\nid = \"a\"\ntopic = \"water/nodes/+\"\n")
              .meters.size() == 1);
}

TEST_CASE("Without a time zone the system's is used, and written out", "[configuration]") {
    const Configuration read = right("[[meter]]\nid = \"a\"\ntopic = \"b\"\n");
    CHECK_FALSE(read.timezone.empty());
    CHECK(to_toml(read).find("timezone = \"" + read.timezone + "\"\n") != std::string::npos);
}

TEST_CASE("A file that cannot be read is a mistake with the system's reason", "[configuration]") {
    CHECK(testing::joined(read_configuration("/nonexistent/tickledger.toml")) ==
          "/nonexistent/tickledger.toml: the configuration cannot be read: No such file or directory. Check "
          "the path "
          "given with --config and who may read the file.");
    CHECK(testing::joined(read_configuration("/")) ==
          "/: the configuration cannot be read: Is a directory. Check the path given with --config and who "
          "may read "
          "the file.");
}

TEST_CASE("The resolved settings are written for people", "[configuration]") {
    CHECK(to_toml(
              right("[site]\ntimezone = \"UTC\"\n[[meter]]\nid = \"house\"\ntopic = \"nodes/cellar/water\"\n"
                    "pulse_value = \"0.1 gal_us\"\nfields = { boot = false }\n")) ==
          R"([site]
timezone = "UTC"
max_meters = 1000

[broker]
url = "mqtt://127.0.0.1:1883"
client_id = "tickledger"
username = ""
password_file = ""
ca_file = ""
cert_file = ""
key_file = ""
topic_root = "tickledger"

[store]
directory = "/var/lib/tickledger"
commit_every = "1s"
sync_every = "1s"
keep_messages = "7d"
pack_after = "7d"
keep_readings = "400d"
backup_directory = ""
backup_every = "1d"
keep_backups = 7
ledger_index = "file"

[socket]
path = "/run/tickledger/api.sock"
mode = "0660"
group = ""
http = ""
token_file = ""

[tariff]
currency = ""
price_per_m3 = {}
standing_charge_per_day = {}

[[meter]]
id = "house"
topic = "nodes/cellar/water"
message = "counter"
fields = { count = "/count", boot = false, seq = "/seq", time = "/time", saved = "/saved", uptime = "/uptime", pulses = "/pulses", volume = "/volume" }
unit = "m3"
rolls_over_at = "0 L"
senml_name = ""
pulse_value = "0.3785411784 L"
q3 = "2500 L/h"
counter_bits = 32
seq_bits = 32
checkpoint_ticks = 0
cadence = "3min"
interval = "15min"
register_start = "0 L"
register_range = "0 L"
register_resolution = "1 L"
pulse_value_from = {}
uses = []
name = ""
group = ""
parent = ""

[meter.alarms]
night = ["01:00", "05:00"]
still_for = "30min"
high_flow = "1800 L/h"
high_flow_for = "10min"
long_draw_volume = "500 L"
long_draw_time = "2h"
silent_after = "15min"
away = false
stagnant_for = "3d"
off = []
on = []
# smallest_visible_leak_l_per_h: 0.757 (18 L a day)
# stagnation is off: a house may be empty for days, so this alarm is only for those who must flush their pipes. on = ["stagnation"] switches it on.
)");
    CHECK_THAT(
        to_toml(right("[[meter]]\nid = \"house\"\ntopic = \"nodes/cellar/water\"\ncadence = \"1h\"\n")),
        Catch::Contains("# smallest_visible_leak_l_per_h: none, because"));
}

TEST_CASE("A silence that is not configured follows from the cadence", "[configuration]") {
    CHECK(meter_with(R"(cadence = "10s")").alarms.silent_after == 15min);
    CHECK(meter_with(R"(cadence = "1h")").alarms.silent_after == 5h);
    CHECK(meter_with("cadence = \"1h\"\n[meter.alarms]\nsilent_after = \"2h\"").alarms.silent_after == 2h);
}

TEST_CASE("The resolved configuration warns of a counter that can wrap within a silence", "[configuration]") {
    const std::string meter =
        "[[meter]]\nid = \"house\"\ntopic = \"nodes/cellar/water\"\ncounter_bits = 16\n";
    CHECK_THAT(to_toml(right(meter + "pulse_value = \"0.1 L\"\n")),
               Catch::Contains("# the count starts again at 0 after 6.554 m3, which takes 2.6 h at q3. If "
                               "more water runs"));
    CHECK_THAT(to_toml(right(meter)), !Catch::Contains("starts again at 0"));
    CHECK_THAT(to_toml(right(meter + "message = \"pulses\"\npulse_value = \"0.1 L\"\n")),
               !Catch::Contains("starts again at 0"));
}

TEST_CASE("Settings that cannot be meant were accepted without a word", "[configuration]") {
    const std::string meter = "[[meter]]\nid = \"flat\"\ntopic = \"nodes/{}/water\"\nq3 = \"1 m3/h\"\n";
    const auto resolved = [&](const std::string& level, const std::string& lines) {
        return to_toml(right(fmt::format(fmt::runtime(meter), level) + lines));
    };
    // 1.1 Q4 is 1375 L/h. Two ticks of 1 L in ten minutes are believed in addition, which makes 1387.
    CHECK_THAT(
        resolved("a", "[meter.alarms]\nhigh_flow = \"1388 L/h\"\n"),
        Catch::Contains("# high-flow can never be raised: more than 1.1 q4 (1375 L/h) is not believed. Write "
                        "a lower `high_flow`.\n"));
    CHECK_THAT(resolved("a", "[meter.alarms]\nhigh_flow = \"1386 L/h\"\n"), !Catch::Contains("never"));
    CHECK_THAT(
        resolved("a", "register_start = \"120 m3\"\nregister_range = \"100 m3\"\n"),
        Catch::Contains("# `register_start` is not below `register_range`, so the register starts at 20000 "
                        "L. Correct one of them.\n"));
    CHECK_THAT(
        resolved("+", ""),
        Catch::Contains("# every topic that matches \"nodes/+/water\" is counted as the one meter "
                        "\"flat\". If several boards send there, take {1} into `id`: it stands for the first "
                        "+.\n"));
    for (const char* none : {"never be raised", "register_start` is", "every topic"})
        CHECK_THAT(resolved("a", "[meter.alarms]\nhigh_flow = \"1 m3/h\"\n"), !Catch::Contains(none));
}

TEST_CASE("Alarms that a meter cannot detect are off, and the resolved configuration says why",
          "[configuration]") {
    const std::string meter = "[[meter]]\nid = \"house\"\ntopic = \"nodes/cellar/water\"\n";
    const std::string hourly = to_toml(right(meter + "cadence = \"1h\"\n"));
    CHECK_THAT(hourly,
               Catch::Contains("# long-draw is off: messages further apart than 5min cannot tell one use "
                               "of water from several. on = [\"long-draw\"] switches it on."));
    CHECK_THAT(hourly, Catch::Contains("# slow-leak is off: "));
    CHECK_THAT(hourly, Catch::Contains("# high-flow sees the mean over 1h between two messages"));
    const std::string coarse = to_toml(right(meter + "pulse_value = \"10 L\"\n"));
    CHECK_THAT(coarse, Catch::Contains("# slow-leak is off: with ticks of more than"));
    const std::string wanted = to_toml(
        right(meter + "cadence = \"1h\"\n[meter.alarms]\non = [\"long-draw\"]\noff = [\"slow-leak\"]\n"));
    CHECK_THAT(wanted, !Catch::Contains("long-draw is off"));
    CHECK_THAT(wanted, !Catch::Contains("slow-leak is off"));
}
