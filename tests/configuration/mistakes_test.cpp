// Every mistake in the structure of the file, with the exact place and sentence that a person sees.
#include <fmt/format.h>

#include <catch2/catch.hpp>

#include "sentences.hpp"

using tickledger::testing::of_file;
using tickledger::testing::of_meter;
using tickledger::testing::sentences_of;

TEST_CASE("An unknown key is reported with the key that was probably meant", "[configuration]") {
    CHECK(of_meter(R"(intervall = "15min")") ==
          R"(t.toml:4:1: unknown key `intervall` in [[meter]]; did you mean `interval`?)");
    CHECK(of_meter(R"(pulsevalue = "1 L")") ==
          R"(t.toml:4:1: unknown key `pulsevalue` in [[meter]]; did you mean `pulse_value`?)");
    CHECK(of_file(R"([broker]
user_name = "ledger")") == R"(t.toml:2:1: unknown key `user_name` in [broker]; did you mean `username`?)");
    CHECK(of_meter(R"([meter.alarms]
high_flwo = "2 m3/h")") ==
          R"(t.toml:5:1: unknown key `high_flwo` in [meter.alarms]; did you mean `high_flow`?)");
    CHECK(of_meter(R"(fields = { cuont = "/c" })") ==
          R"(t.toml:4:12: unknown key `cuont` in [meter.fields]; did you mean `count`?)");
}

TEST_CASE("A key in the wrong table is reported with the table where it belongs", "[configuration]") {
    CHECK(
        of_meter(R"(still_for = "1h")") ==
        R"(t.toml:4:1: unknown key `still_for` in [[meter]]; it belongs in [meter.alarms]. Move it there.)");
    CHECK(of_meter(R"([meter.alarms]
cadence = "1min")") ==
          R"(t.toml:5:1: unknown key `cadence` in [meter.alarms]; it belongs in [[meter]]. Move it there.)");
    CHECK(
        of_file(R"(timezone = "UTC")") ==
        R"(t.toml:1:1: `timezone` comes before any table; it belongs in [site]. Write that line above it.)");
}

TEST_CASE("An unknown key that resembles none is reported with the known keys", "[configuration]") {
    CHECK(
        of_file(R"([socket]
colour = "blue")") ==
        R"(t.toml:2:1: unknown key `colour` in [socket]. Take it out, or write one of `path`, `mode`, `group`, `http`, `token_file`.)");
    CHECK(
        of_file(R"(colour = "blue")") ==
        R"(t.toml:1:1: unknown key `colour` before any table. Take it out, or write the table that it belongs in above it.)");
}

TEST_CASE("An unknown table is reported", "[configuration]") {
    CHECK(of_file(R"([sokcet]
mode = "0600")") == R"(t.toml:1:2: unknown table `sokcet`; did you mean [socket]?)");
    CHECK(
        of_file(R"([weather]
url = "mqtt://x")") ==
        R"(t.toml:1:2: unknown table `weather`. Take it out, or write one of [site], [broker], [store], [socket], [tariff], [[meter]], [meter.alarms], [[tenant]].)");
    CHECK(sentences_of(R"([[meters]]
id = "house"
topic = "a")") == R"(t.toml:1:3: unknown table `meters`; did you mean [[meter]]?)");
}

TEST_CASE("Mistakes in a tenant are reported, and a valid tenant is read", "[configuration]") {
    const auto of_tenant = [](std::string_view lines,
                              std::string_view socket = "http = \"127.0.0.1:8470\"\ntoken_file = \"/t\"") {
        return sentences_of(
            fmt::format("[socket]\n{}\n[[tenant]]\n{}\n[[meter]]\nid = \"flat-{{1}}\"\ntopic = "
                        "\"flats/+/w\"\ngroup = \"staircase {{1}}\"\n",
                        socket, lines));
    };
    const std::string known = "name = \"Flat 7\"\ntoken_file = \"/etc/t7\"\n";
    CHECK(of_tenant(known + "meters = [\"flat-7\"]").empty());
    CHECK(of_tenant(known + "group = \"staircase 2\"").empty());
    CHECK_THAT(of_tenant("meters = [\"flat-7\"]"),
               Catch::Contains("lacks a `name`") && Catch::Contains("lacks a `token_file`"));
    CHECK_THAT(of_tenant(known), Catch::Contains("either `meters` or `group`"));
    CHECK_THAT(of_tenant(known + "meters = [\"flat-7\"]\ngroup = \"staircase 2\""),
               Catch::Contains("either `meters` or `group`"));
    CHECK_THAT(of_tenant(known + "meters = [\"flat-{1}\"]"), Catch::Contains("is a pattern"));
    CHECK_THAT(of_tenant(known + "meters = [\"flot-7\"]"), Catch::Contains("there is no meter \"flot-7\""));
    CHECK_THAT(of_tenant(known + "group = \"stair\""), Catch::Contains("no meter is in the group \"stair\""));
    CHECK_THAT(of_tenant(known + "meters = \"flat-7\""), Catch::Contains("must be a list of ids of meters"));
    CHECK_THAT(of_tenant(known + "meter = [\"flat-7\"]"), Catch::Contains("did you mean `meters`?"));
    CHECK_THAT(of_tenant(known + "meters = [\"flat-7\"]\n[[tenant]]\n" + known + "meters = [\"flat-7\"]"),
               Catch::Contains("there is another tenant \"Flat 7\""));
    // Without its own token the interface shows everything to everybody.
    CHECK_THAT(of_tenant(known + "meters = [\"flat-7\"]", "http = \"127.0.0.1:8470\""),
               Catch::Contains("needs `http` and `token_file` in [socket]"));
    CHECK_THAT(sentences_of("tenant = 1"), Catch::Contains("below a line [[tenant]]"));
}

TEST_CASE("An invalid use of a meter is reported with the valid uses", "[configuration]") {
    CHECK(of_meter(R"(uses = ["hose", "tap"])").empty());
    CHECK(
        of_meter(R"(uses = ["hose", "leak"])") ==
        R"(t.toml:4:17: `uses`: "leak" is not a valid use of water. Write "flush", "shower", "tap", "washer", "bath" or "hose".)");
    CHECK(of_meter(R"(uses = ["hoses"])") ==
          R"(t.toml:4:9: `uses`: "hoses" is not a valid use of water; did you mean "hose"?)");
    CHECK(of_meter(R"(uses = "hose")") ==
          R"(t.toml:4:8: `uses` must be a list of uses, but it is a text. Write uses = ["hose", "tap"].)");
}

TEST_CASE("A value of the wrong type is reported with an example of the right type", "[configuration]") {
    CHECK(
        of_meter(R"(interval = 15)") ==
        R"(t.toml:4:12: `interval` must be a text in quotes, but it is a whole number. Write interval = "15min".)");
    CHECK(
        of_meter(R"(pulse_value = 1.5)") ==
        R"(t.toml:4:15: `pulse_value` must be a text in quotes, but it is a decimal number. Write pulse_value = "1 L".)");
    CHECK(
        of_meter(R"(counter_bits = "32")") ==
        R"(t.toml:4:16: `counter_bits` must be a whole number without quotes, but it is a text. Write counter_bits = 32.)");
    CHECK(
        of_meter(R"(checkpoint_ticks = 1.0)") ==
        R"(t.toml:4:20: `checkpoint_ticks` must be a whole number without quotes, but it is a decimal number. Write checkpoint_ticks = 0.)");
    CHECK(
        of_meter(R"(fields = "/count")") ==
        R"(t.toml:4:10: `fields` must be a table of JSON Pointers, but it is a text. Write fields = { count = "/count" }.)");
    CHECK(
        of_meter(R"(fields = { count = false })") ==
        R"(t.toml:4:20: `count` must be a text in quotes, but it is true or false. Write count = "/count".)");
    CHECK(of_meter(R"(fields = { time = true })") ==
          R"(t.toml:4:19: `time` must be a text in quotes, but it is true or false. Write time = "/time".)");
    CHECK(
        of_meter(R"([meter.alarms]
away = "no")") ==
        R"(t.toml:5:8: `away` must be true or false without quotes, but it is a text. Write away = false.)");
    CHECK(
        of_meter(R"([meter.alarms]
off = "slow-leak")") ==
        R"(t.toml:5:7: `off` must be a list of kinds of alarm, but it is a text. Write off = ["slow-leak"].)");
    CHECK(
        of_meter(R"([meter.alarms]
off = [1])") ==
        R"(t.toml:5:8: `off` must be a text in quotes, but it is a whole number. Write off = ["slow-leak"].)");
    CHECK(
        of_meter(R"(alarms = 3)") ==
        R"(t.toml:4:10: [meter.alarms] must be a table, but it is a whole number. Write [meter.alarms] on a line of its own and its keys below it.)");
    CHECK(
        of_file(R"([site]
timezone = 2026-03-01)") ==
        R"(t.toml:2:12: `timezone` must be a text in quotes, but it is a date or time. Write timezone = "Europe/Lisbon".)");
    CHECK(of_file(R"([socket]
mode = 0o660)") ==
          R"(t.toml:2:8: `mode` must be a text in quotes, but it is a whole number. Write mode = "0660".)");
    CHECK(
        of_file(R"(store = "/var/lib/tickledger")") ==
        R"(t.toml:1:9: [store] must be a table, but it is a text. Write [store] on a line of its own and its keys below it.)");
    CHECK(
        of_file(R"([[broker]]
url = "mqtt://127.0.0.1")") ==
        R"(t.toml:1:1: [broker] must be a table, but it is a list. Write [broker] on a line of its own and its keys below it.)");
}

TEST_CASE("A meter without id or topic is reported", "[configuration]") {
    CHECK(sentences_of(R"([[meter]])") ==
          R"(t.toml:1:1: this [[meter]] has no `id`. Write one, for example id = "house".
t.toml:1:1: this [[meter]] has no `topic`. Write one, for example topic = "nodes/cellar/water".)");
}

TEST_CASE("Two meters that could have the same id are reported", "[configuration]") {
    CHECK(
        of_meter(R"([[meter]]
id = "house"
topic = "nodes/attic/water")") ==
        R"(t.toml:5:6: `id`: the meter in line 2 is called "house" too. Give each meter an id of its own.)");
    CHECK(
        of_meter(R"([[meter]]
id = "house"
topic = "nodes/cellar/water")") ==
        R"(t.toml:5:6: `id`: the meter in line 2 is called "house" too. Both read the topic "nodes/cellar/water", so that its messages would be booked twice. Take one of the two [[meter]] tables out.)");
    CHECK(
        of_meter(R"([[meter]]
id = "{1}"
topic = "flats/+/water")") ==
        R"(t.toml:5:6: `id`: "{1}" and "house" in line 2 can give two meters the same id. Give each meter an id of its own.)");
    CHECK(
        sentences_of(R"([[meter]]
id = "flat-{1}"
topic = "a/+/water"
[[meter]]
id = "{1}-cold"
topic = "b/+/water")") ==
        R"(t.toml:5:6: `id`: "{1}-cold" and "flat-{1}" in line 2 can give two meters the same id. Give each meter an id of its own.)");
}

TEST_CASE("A topic that would match the daemon's own publications is reported", "[configuration]") {
    CHECK(
        sentences_of(R"([[meter]]
id = "house"
topic = "#")") ==
        R"(t.toml:3:9: `topic`: "#" also matches "tickledger/status", which this program publishes itself. Write a filter that matches only what the nodes send.)");
    CHECK(
        sentences_of(R"([broker]
topic_root = "water"
[[meter]]
id = "house"
topic = "water/+")") ==
        R"(t.toml:5:9: `topic`: "water/+" also matches "water/status", which this program publishes itself. Write a filter that matches only what the nodes send.)");
}

TEST_CASE("A password without a username is reported", "[configuration]") {
    CHECK(
        of_file(R"([broker]
password_file = "/etc/tickledger/broker.password")") ==
        R"(t.toml:2:17: `password_file` is given without a `username`. Write the name that the password belongs to, for example username = "ledger".)");
}

TEST_CASE("TLS files are reported if the link is not encrypted, or if one of a pair is missing",
          "[configuration]") {
    CHECK(
        of_file(R"([broker]
ca_file = "/etc/ca.pem")") ==
        R"(t.toml:2:11: `ca_file` is used only on an encrypted link. Let `url` begin with mqtts://, or leave `ca_file` out.)");
    CHECK(
        of_file(R"([broker]
url = "mqtts://broker"
cert_file = "/etc/cert.pem")") ==
        R"(t.toml:3:13: `cert_file` is given without a `key_file`. Write the file with its private key too.)");
    CHECK(
        of_file(R"([broker]
url = "mqtts://broker"
key_file = "/etc/key.pem")") ==
        R"(t.toml:3:12: `key_file` is given without a `cert_file`. Write the file with its certificate too.)");
}

TEST_CASE("Q3 and Q4 together are reported", "[configuration]") {
    CHECK(
        of_meter(R"(q3 = "2.5 m3/h"
q4 = "3.125 m3/h")") ==
        R"(t.toml:5:6: `q3` and `q4` are both given, but one follows from the other (q4 = 1.25 q3). Leave one of them out.)");
}

TEST_CASE("A file without a meter is valid, but a malformed meter is reported", "[configuration]") {
    CHECK(sentences_of("").empty());
    CHECK(sentences_of(R"(meter = [])").empty());
    CHECK(sentences_of(R"([meter]
id = "house"
topic = "a")") ==
          R"(t.toml:1:1: [meter] has single brackets. Write [[meter]], because there may be several.)");
    CHECK(
        sentences_of(R"(meter = "house")") ==
        R"(t.toml:1:9: `meter` must be one or more tables, but it is a text. Write each meter below a line [[meter]].)");
    CHECK(
        sentences_of(R"(meter = [1])") ==
        R"(t.toml:1:10: [[meter]] must be a table, but it is a whole number. Write [[meter]] on a line of its own and its keys below it.)");
}

TEST_CASE("A syntax error is reported, and nothing that follows from it", "[configuration]") {
    CHECK(
        sentences_of(R"([[meter]]
id = house)") ==
        R"(t.toml:2:6: `id` needs quotes around its value. Write id = "house" and check again; nothing below this line was read.)");
    CHECK(
        sentences_of(R"([[meter]]
id = "house"
id = "attic")") ==
        R"(t.toml:3:6: this is not TOML: Error while parsing key-value pair: cannot redefine existing string 'id'. Correct it and check again; nothing below this line was read.)");
    CHECK(
        sentences_of(R"([site
timezone = "UTC")") ==
        R"(t.toml:1:6: this is not TOML: Error while parsing table header: expected ']', saw '\n'. Correct it and check again; nothing below this line was read.)");
}

TEST_CASE("All mistakes of a file are reported at once, from top to bottom", "[configuration]") {
    CHECK(
        sentences_of(R"([[meter]]
id = "House"
topic = "nodes/+water"
fields = { seq = "seq", cuont = "/c" }
interval = "7min"
q4 = "1 m3/h"
q3 = "1 m3/h"
[meter.alarms]
night = ["x", "y"]
off = ["a"]
[site]
timezone = "Mars"
[broker]
password_file = "p")") ==
        R"(t.toml:2:6: `id`: "House" is not a valid id. Write only the letters a-z, digits and hyphens, for example "house".
t.toml:3:9: `topic`: "nodes/+water" is not a valid topic filter. Let + stand for one whole level, as in "nodes/+/water".
t.toml:4:18: `seq`: "seq" is not a valid JSON Pointer. Begin it with a slash: "/seq".
t.toml:4:25: unknown key `cuont` in [meter.fields]; did you mean `count`?
t.toml:5:12: `interval`: "7min" does not divide a day of 24 hours into equal intervals of whole seconds. Write, for example, "5min", "15min", "30min" or "1h".
t.toml:6:6: `q3` and `q4` are both given, but one follows from the other (q4 = 1.25 q3). Leave one of them out.
t.toml:9:10: `night`: "x" is not a valid time of day. Write hours and minutes from "00:00" to "23:59".
t.toml:9:15: `night`: "y" is not a valid time of day. Write hours and minutes from "00:00" to "23:59".
t.toml:10:8: `off`: "a" is not a valid kind of alarm. Write "night-flow", "slow-leak", "high-flow", "long-draw", "away-use", "node-silent", "counter-fault", "backflow" or "stagnation".
t.toml:12:12: `timezone`: "Mars" is not a time zone of this system: give an IANA name such as "Europe/Lisbon" (`timedatectl list-timezones` shows them all), and see that the package tzdata is installed.
t.toml:14:17: `password_file` is given without a `username`. Write the name that the password belongs to, for example username = "ledger".)");
}

TEST_CASE("A parent that is not a meter of the file, or that forms a cycle, is reported", "[configuration]") {
    const auto meters = [](std::string_view of_flat, std::string_view of_house) {
        return sentences_of(fmt::format(
            "[[meter]]\nid = \"flat-{{1}}\"\ntopic = \"flats/+/water\"\n{}\n"
            "[[meter]]\nid = \"house\"\ntopic = \"nodes/cellar/water\"\nname = \"Main meter\"\n{}\n",
            of_flat, of_house));
    };
    CHECK(meters(R"(parent = "house")", "").empty());
    CHECK(meters(R"(parent = "huose")", "") ==
          R"(t.toml:4:10: `parent`: there is no meter "huose"; did you mean "house"?)");
    CHECK(
        meters(R"(parent = "waterworks")", "") ==
        R"(t.toml:4:10: `parent`: there is no meter "waterworks". Write the id of the meter that the water passes first, or leave `parent` out.)");
    CHECK(meters(R"(parent = "Main meter")", "") ==
          R"(t.toml:4:10: `parent`: "Main meter" is the name of a meter. Write its id: parent = "house".)");
    CHECK(
        meters("", R"(parent = "house")") ==
        R"(t.toml:9:10: `parent`: the water would pass the same meter twice (house → house). Leave `parent` out at the meter that it passes first.)");
    CHECK(
        meters(R"(parent = "house")", R"(parent = "flat-7")") ==
        "t.toml:4:10: `parent`: the water would pass the same meter twice (flat-{1} → house → flat-{1}). "
        "Leave "
        "`parent` out at the meter that it passes first.\n"
        "t.toml:9:10: `parent`: the water would pass the same meter twice (house → flat-{1} → house). Leave "
        "`parent` out at the meter that it passes first.");
}

TEST_CASE("A name of several lines, or with a placeholder that the id lacks, is reported",
          "[configuration]") {
    CHECK(of_meter(R"(name = "Küche, kalt")").empty());
    CHECK(of_meter(R"(name = "a\nb")") ==
          R"(t.toml:4:8: `name`: a name must be on one line. Take line breaks and tabs out of it.)");
    CHECK(of_meter(R"(group = " b")") ==
          R"(t.toml:4:9: `group`: " b" begins or ends with a space. Remove the space.)");
    // The limit is in characters, not bytes.
    std::string umlauts;
    for (int i = 0; i < 100; ++i)
        umlauts += "ü";
    CHECK(of_meter("name = \"" + umlauts + "\"").empty());
    CHECK(of_meter("name = \"" + umlauts + "ü\"") ==
          "t.toml:4:8: `name`: this name has 101 characters. Write a shorter one, at most 100.");
    CHECK(
        of_meter(R"(name = "Flat {1}")") ==
        R"(t.toml:4:8: `name`: "{1}" takes its value from `id`, but the id "house" has no "{1}". Write the text without it.)");
}

TEST_CASE("An option that does not fit a volume is reported") {
    CHECK(
        of_meter(
            "message = \"volume\"\nunit = \"ft3\"\npulse_value = \"0.1 ft3\"\nrolls_over_at = \"100000 ft3\"")
            .empty());
    CHECK_THAT(of_meter("message = \"volume\"\ncounter_bits = 16"),
               Catch::Contains(":5:") && Catch::Contains("does not apply"));
    CHECK_THAT(of_meter("message = \"volume\"\ncheckpoint_ticks = 100"),
               Catch::Contains(":5:") && Catch::Contains("every tick"));
    CHECK_THAT(of_meter("message = \"volume\"\npulse_value = \"3 L\"\nrolls_over_at = \"100 L\""),
               Catch::Contains(":6:") && Catch::Contains("whole number of pulse values"));
    CHECK_THAT(of_meter("unit = \"L\""), Catch::Contains(":4:") && Catch::Contains("message = \"volume\""));
    CHECK_THAT(of_meter("rolls_over_at = \"100 m3\""),
               Catch::Contains(":4:") && Catch::Contains("message = \"volume\""));
    CHECK_THAT(of_meter("message = \"volume\"\nunit = \"litres\""), Catch::Contains("unit of volume"));
}

TEST_CASE("The hint for a field named with dots kept the dots after the slash", "[configuration]") {
    CHECK(
        of_meter(R"(fields = { count = "WATER.Total" })") ==
        R"(t.toml:4:20: `count`: "WATER.Total" is not a valid JSON Pointer. Begin it with a slash: "/WATER/Total".)");
}

TEST_CASE("A missing closing quote was reported as an unescaped control character", "[configuration]") {
    const auto sentence = [](std::string_view line) { return of_file(fmt::format("[broker]\n{}", line)); };
    const char* url =
        "`url` lacks a closing quote (\"). Write it and check again; nothing below this line was read.";
    CHECK_THAT(sentence("url = \"mqtt://broker"), Catch::StartsWith("t.toml:2:") && Catch::EndsWith(url));
    CHECK_THAT(sentence("url = \"mqtt://broker # it\\\"s ours"), Catch::EndsWith(url));
    CHECK_THAT(of_meter("[meter.alarms]\nnight = [\"01:00\", \"05:00]"),
               Catch::Contains("`night` lacks a closing quote"));
    // The quotes are complete here, and the mistake is another one.
    CHECK_THAT(sentence("url = \"mqtt://broker\" x # \""), Catch::Contains("this is not TOML"));
}

TEST_CASE("A text without quotes was reported as expected 'nan', saw 'no'", "[configuration]") {
    const auto sentence = [](std::string_view line) { return of_file(fmt::format("[broker]\n{}", line)); };
    CHECK_THAT(sentence("topic_root = nodes/house  # ours"),
               Catch::StartsWith("t.toml:2:") &&
                   Catch::EndsWith("`topic_root` needs quotes around its value. Write topic_root = "
                                   "\"nodes/house\" and check again; nothing below this line was read."));
    CHECK_THAT(sentence("url = mqtt://broker"), Catch::Contains("Write url = \"mqtt://broker\""));
    // Other syntax errors keep the parser's words.
    CHECK_THAT(sentence("url = [1, 2"), Catch::Contains("this is not TOML"));
}
