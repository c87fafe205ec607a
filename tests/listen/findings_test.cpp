// The findings of `listen`: each proposed configuration is valid and reads the messages that were heard.
#include "listen/findings.hpp"

#include <fmt/format.h>

#include <catch2/catch.hpp>

#include "configuration/configuration.hpp"
#include "tickledger/message.hpp"

namespace tickledger {
namespace {

using std::chrono::minutes;
using std::chrono::seconds;

Instant at(int seconds_later) {
    return parse_rfc3339("2026-03-01T07:00:00Z").value() + seconds{seconds_later};
}

/// One topic's messages, a minute apart.
TopicFinding heard(const std::vector<std::string>& payloads,
                   const std::string& topic = "nodes/Cellar/water") {
    Findings findings;
    int number = 0;
    for (const std::string& payload : payloads)
        findings.take({at(60 * number++), topic, payload, false});
    return findings.found().at(0);
}

/// The counts that the proposed meter reads out of the payloads.
std::vector<std::uint64_t> counts_read(const TopicFinding& topic, const std::vector<std::string>& payloads) {
    const auto reading = read_configuration_text(meter_table(topic), "proposal.toml");
    INFO(meter_table(topic));
    for (const Mistake& mistake : reading.mistakes)
        FAIL(mistake.sentence());
    const MeterSettings& meter = reading.configuration.meters.at(0);
    CHECK(meter.topic == topic.topic);
    std::vector<std::uint64_t> counts;
    for (const std::string& payload : payloads) {
        const auto read = decode(payload, meter, at(0));
        if (!read) FAIL(read.error().text);
        for (const Reading& one : *read)
            counts.push_back(one.count);
    }
    return counts;
}

}  // namespace

TEST_CASE("pulses that happen to rise are not taken for a running total") {
    const auto form = [](const std::vector<int>& pulses) {
        std::vector<std::string> payloads;
        for (std::size_t i = 0; i < pulses.size(); ++i)
            payloads.push_back(fmt::format(R"({{"pulses":{},"boot":7,"seq":{}}})", pulses[i], i + 1));
        const TopicFinding topic = heard(payloads);
        // In doubt the table says so, whichever of the two it proposes.
        CHECK_THAT(meter_table(topic), Catch::Contains("# If this number is"));
        return topic.field(FieldUse::pulses) ? "pulses" : topic.field(FieldUse::count) ? "counter" : "none";
    };
    CHECK(form({0, 8, 12, 9}) == std::string("pulses"));
    CHECK(form({2, 5, 9}) == std::string("pulses"));
    CHECK(form({40210, 40213, 40213}) == std::string("counter"));
}

TEST_CASE("a bare number that rises once a second is a count and no uptime") {
    Findings findings;
    for (int i = 0; i < 5; ++i)
        findings.take({at(i), "bare/count", std::to_string(901 + i), false});
    REQUIRE(findings.found().at(0).can_be_a_meter());
    const std::string table = meter_table(findings.found().at(0));
    CHECK_THAT(table, Catch::Contains("message = \"counter\"\nfields = { count = \"\" }"));
}

TEST_CASE("what the daemon publishes is no meter, and a board heard now comes before retained copies") {
    Findings findings("account");
    findings.take({at(0), "account/meters/house/day", R"({"ticks":7,"volume_l":7.000})", true});
    findings.take({at(0), "a/old", R"({"count":5})", true});
    findings.take({at(1), "nodes/cellar", R"({"count":5})", false});
    findings.take({at(61), "nodes/cellar", R"({"count":6})", false});
    const auto topics = findings.found();
    REQUIRE(topics.size() == 2);
    CHECK(topics[0].topic == "nodes/cellar");
    CHECK(findings.own_messages() == 1);
}

TEST_CASE("a node that sends the default fields needs no `fields` option") {
    const std::vector<std::string> payloads{
        R"({"count":100,"boot":7,"seq":1,"time":"2026-03-01T07:00:00Z","uptime":100})",
        R"({"count":103,"boot":7,"seq":2,"time":"2026-03-01T07:01:00Z","uptime":160})",
        R"({"count":104,"boot":7,"seq":3,"time":"2026-03-01T07:02:00Z","uptime":220})"};
    const TopicFinding topic = heard(payloads);
    CHECK(topic.cadence == Duration{minutes{1}});
    for (const auto& [use, pointer] :
         {std::pair{FieldUse::count, "/count"}, std::pair{FieldUse::boot, "/boot"},
          std::pair{FieldUse::seq, "/seq"}, std::pair{FieldUse::time, "/time"},
          std::pair{FieldUse::uptime, "/uptime"}}) {
        INFO(name_of(use));
        REQUIRE(topic.field(use));
        CHECK(topic.field(use)->pointer == pointer);
    }
    CHECK(topic.field(FieldUse::count)->smallest_rise == 1);
    const std::string table = meter_table(topic);
    CHECK_THAT(table, !Catch::Contains("fields"));
    CHECK_THAT(table,
               Catch::Contains("id = \"nodes-cellar-water\"") && Catch::Contains("cadence = \"1min\""));
    CHECK(counts_read(topic, payloads) == std::vector<std::uint64_t>{100, 103, 104});
}

TEST_CASE("an unknown board's nested fields are found by their behaviour, whatever their names") {
    const std::vector<std::string> payloads{
        R"({"WATER":{"Total":4711,"a/b~c":17},"Wifi":{"RSSI":-61},"t":1772348400})",
        R"({"WATER":{"Total":4719,"a/b~c":18},"Wifi":{"RSSI":-64},"t":1772348460})",
        R"({"WATER":{"Total":4720,"a/b~c":19},"Wifi":{"RSSI":-60},"t":1772348520})"};
    const TopicFinding topic = heard(payloads);
    REQUIRE(topic.field(FieldUse::count));
    CHECK(topic.field(FieldUse::count)->pointer == "/WATER/Total");
    REQUIRE(topic.field(FieldUse::seq));
    CHECK(topic.field(FieldUse::seq)->pointer == "/WATER/a~1b~0c");
    REQUIRE(topic.field(FieldUse::time));
    CHECK(topic.field(FieldUse::time)->pointer == "/t");
    CHECK(counts_read(topic, payloads) == std::vector<std::uint64_t>{4711, 4719, 4720});
}

TEST_CASE("a bare number is the whole message") {
    const TopicFinding topic = heard({"5", "7", "12"});
    CHECK_THAT(meter_table(topic), Catch::Contains("count = \"\""));
    CHECK(counts_read(topic, {"5", "7", "12"}) == std::vector<std::uint64_t>{5, 7, 12});
}

TEST_CASE("a field with a default name but another meaning is not read") {
    const std::vector<std::string> payloads{R"({"count":5,"time":"07:00","boot":true})",
                                            R"({"count":6,"time":"07:01","boot":true})"};
    const TopicFinding topic = heard(payloads);
    CHECK_THAT(meter_table(topic), Catch::Contains("boot = false") && Catch::Contains("time = false"));
    CHECK(counts_read(topic, payloads) == std::vector<std::uint64_t>{5, 6});
}

TEST_CASE("a restart is recognized, and pulses that rise and fall are not taken for a count") {
    const TopicFinding restarted =
        heard({R"({"total":100})", R"({"total":105})", R"({"total":2})", R"({"total":4})"});
    REQUIRE(restarted.field(FieldUse::count));
    CHECK(restarted.field(FieldUse::count)->falls == 1);
    CHECK_THAT(describe({restarted}), Catch::Contains("fell 1 time"));
    const std::vector<std::string> pulses{R"({"pulses":4})", R"({"pulses":0})", R"({"pulses":2})",
                                          R"({"pulses":1})"};
    const TopicFinding of_pulses = heard(pulses);
    CHECK_THAT(meter_table(of_pulses), Catch::Contains("message = \"pulses\""));
    CHECK(counts_read(of_pulses, pulses) == std::vector<std::uint64_t>{4, 0, 2, 1});
}

TEST_CASE("a reader that sends cubic metres as text, as most do, was not recognized as a meter") {
    const std::vector<std::string> payloads{
        R"({"id":4711,"value":"1234.567","raw":"01234.567","rate":"0.01","state":"ok"})",
        R"({"id":4711,"value":"1234.571","raw":"01234.571","rate":"0.00","state":"ok"})",
        R"({"id":4711,"value":"1234.571","raw":"01234.571","rate":"0.02","state":"ok"})"};
    const TopicFinding topic = heard(payloads);
    REQUIRE(topic.field(FieldUse::volume));
    CHECK(topic.field(FieldUse::volume)->pointer == "/value");
    CHECK_THAT(meter_table(topic), Catch::Contains("message = \"volume\"") &&
                                       Catch::Contains("fields = { volume = \"/value\" }") &&
                                       Catch::Contains("pulse_value = \"1 L\""));
    CHECK(counts_read(topic, payloads) == std::vector<std::uint64_t>{1'234'567, 1'234'571, 1'234'571});
}

TEST_CASE("a volume may be a number, stand still, and show where its register rolls over") {
    const std::vector<std::string> numbers{R"({"water_m3":12.5,"temperature":7.5})",
                                           R"({"water_m3":12.6,"temperature":7.6})"};
    const TopicFinding rising = heard(numbers);
    CHECK_THAT(meter_table(rising),
               Catch::Contains("pulse_value = \"100 L\"") && Catch::Contains("# rolls_over_at"));
    CHECK(counts_read(rising, numbers) == std::vector<std::uint64_t>{125, 126});
    const std::vector<std::string> still{R"({"reading":"00012.34"})", R"({"reading":"00012.34"})"};
    const TopicFinding standing = heard(still);
    CHECK_THAT(describe({standing}), Catch::Contains("let some water run"));
    CHECK_THAT(meter_table(standing), Catch::Contains("\nrolls_over_at = \"100000 m3\""));
    CHECK(counts_read(standing, still) == std::vector<std::uint64_t>{1234, 1234});
}

TEST_CASE("a count is preferred to the volume beside it") {
    for (const char* second :
         {R"({"count":48214,"total_m3":48.214})", R"({"count":48213,"total_m3":48.213})"})
        CHECK(heard({R"({"count":48213,"total_m3":48.213})", second}).field(FieldUse::count));
    // Not registers: a text that is not a number, and a measured value that happens to rise.
    for (const char* other : {R"({"value":"1.2.3"})", R"({"value":""})", R"({"value":"."})",
                              R"({"batt":"3.1"})", R"({"flow_rate":"3.1"})", R"({"meter":"4711"})"})
        CHECK_FALSE(heard({other, other}).can_be_a_meter());
    const std::string long_text = fmt::format(R"({{"value":"{}"}})", std::string(400, '9'));
    CHECK_FALSE(heard({long_text, long_text}).can_be_a_meter());
}

// RFC 8428, section 5.1.1 has a pack of this form. The values are invented.
TEST_CASE("SenML is recognized by its records") {
    const std::vector<std::string> packs{R"([{"n":"urn:dev:ow:10e2073a01080063","u":"count","v":12}])"};
    const TopicFinding topic = heard(packs);
    CHECK(topic.is_senml);
    CHECK(counts_read(topic, packs) == std::vector<std::uint64_t>{12});
}

TEST_CASE("a topic without a count is reported and gives no proposal") {
    const TopicFinding topic = heard({R"({"temperature":20.5})", R"({"temperature":21.0})", "oops"});
    CHECK_FALSE(topic.can_be_a_meter());
    CHECK(topic.unreadable == 1);
    CHECK_THAT(describe({topic}), Catch::StartsWith("- nodes/Cellar/water\n   3 messages") &&
                                      Catch::Contains("Some are not JSON"));
}

TEST_CASE("retained copies give no cadence, and a flood of topics takes bounded memory") {
    Findings findings;
    findings.take({at(0), "a", "1", true});
    findings.take({at(1), "a", "2", false});
    findings.take({at(181), "a", "3", false});
    CHECK(findings.found().at(0).cadence == Duration{minutes{3}});
    CHECK(findings.found().at(0).retained == 1);
    for (std::size_t i = 0; i < Findings::topics_max + 5; ++i)
        findings.take({at(200), fmt::format("t{}", i), "1", false});
    CHECK(findings.found().size() == Findings::topics_max);
    CHECK(findings.left_out() == 6);
    for (int i = 0; i < 1000; ++i)
        findings.take({at(200 + i), "a", std::to_string(3 + i), false});
    const auto found = findings.found();
    CHECK(found.at(0).messages == 1003);
    CHECK(found.at(0).field(FieldUse::count)->first == "1");
    CHECK(found.at(0).field(FieldUse::count)->last == "1002");
}

TEST_CASE("five hundred topics with large messages kept gigabytes") {
    Findings findings;
    const std::string payload(64 * 1024, '1');
    for (int i = 0; i < 1500; ++i)
        findings.take({at(i), fmt::format("t{}", i % 10), payload, false});
    CHECK(findings.bytes_kept() <= Findings::bytes_max);
    CHECK(findings.bytes_kept() > Findings::bytes_max / 2);
    CHECK(findings.left_out() == 0);
}

TEST_CASE("a topic's name moved the cursor in the terminal") {
    const TopicFinding topic = heard({R"({"co\u001b[2Junt":5})", R"({"co\u001b[2Junt":6})"},
                                     "nodes/\x1b]0;title\x07/\xC2\x9B/Küche");
    const std::string text = describe({topic});
    CHECK_THAT(text,
               Catch::Contains("nodes/\\u001b]0;title\\u0007/\\u009b/Küche") && !Catch::Contains("\x1b"));
    CHECK_THAT(text, Catch::Contains("/co\\u001b[2Junt"));
}

}  // namespace tickledger
