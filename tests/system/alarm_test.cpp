// The life of an alarm with the real daemon, broker and client: acknowledged, shelved, ended. A kill and a
// replay change nothing.
#include <fmt/format.h>

#include <catch2/catch.hpp>
#include <fstream>

#include "site.hpp"
#include "support/mosquitto_process.hpp"
#include "support/wait_until.hpp"

using namespace tickledger::test;

namespace {

/// Its node has been silent since the recording, which is not tested here.
constexpr const char* meter_that_may_be_silent = R"([[meter]]
id = "house"
topic = "nodes/house"
[meter.alarms]
off = ["node-silent"]
)";

/// A night in which a tick came every 27 minutes: night-flow is raised at its end.
std::string recording(const std::filesystem::path& directory) {
    const auto path = directory / "night.jsonl";
    std::ofstream out(path);
    int count = 0;
    for (int minute = 0; minute <= 303; minute += 3) {
        if (minute % 27 == 0) ++count;
        out << fmt::format(
            R"({{"tst":"2026-03-05T{:02}:{:02}:00Z","topic":"nodes/house","payload":{{"count":{},"boot":1,"seq":{}}}}})"
            "\n",
            minute / 60, minute % 60, count, minute / 3);
    }
    return path.string();
}

nlohmann::json only_alarm(const Site& site) {
    const auto alarms = site.get("/v1/alarms").at("alarms");
    REQUIRE(alarms.size() == 1);
    return alarms[0];
}

}  // namespace

TEST_CASE("every change of an alarm is published and survives a kill") {
    MosquittoProcess broker;
    Site site({.broker_url = broker.url(), .meters = meter_that_may_be_silent});
    REQUIRE(site.replay({recording(site.directory().path())}).status == 0);
    site.start();
    const std::string topic = "tickledger/meters/house/alarms/night-flow";
    const auto retained = [&] { return nlohmann::json::parse(broker.retained(topic), nullptr, false); };
    const std::string id = std::to_string(only_alarm(site).at("id").get<int>());
    const auto told = [&](std::vector<std::string> arguments, const std::string& state) {
        arguments.insert(arguments.begin(), "alarms");
        const auto outcome = site.client(arguments);
        INFO(outcome.error);
        REQUIRE(outcome.status == 0);
        // Right after a reconnect the daemon first handles the messages that waited at the broker.
        CHECK(wait_until([&] { return only_alarm(site).at("state") == state; }));
        CHECK(wait_until([&] { return retained() == only_alarm(site); }));
        const std::string before = site.text("/v1/alarms");
        site.kill();
        site.start();
        CHECK(site.text("/v1/alarms") == before);
    };
    told({"--acknowledge", id}, "acknowledged");
    told({"--acknowledge", id}, "acknowledged");
    told({"--unacknowledge", id}, "unacknowledged");
    told({"--acknowledge-all"}, "acknowledged");
    told({"--shelve", id, "--for", "2d"}, "shelved");
    CHECK_THAT(site.client({"alarms"}).out, Catch::Contains("shelved until "));
    CHECK(site.get("/v1/alarms?state=shelved").at("alarms").size() == 1);
    CHECK(site.client({"alarms", "--acknowledge", id}).status == 1);
    told({"--unshelve", id}, "unacknowledged");

    CHECK(site.client({"alarms", "--acknowledge", "999"}).status == 1);
    const auto too_long = site.client({"alarms", "--shelve", id, "--for", "32d"});
    CHECK(too_long.status == 2);
    CHECK_THAT(too_long.error, Catch::Contains("31 days"));

    // If the condition still holds, the alarm returns by itself when the shelving ends.
    REQUIRE(site.client({"alarms", "--shelve", id, "--for", "1s"}).status == 0);
    CHECK(wait_until([&] { return only_alarm(site).at("state") == "unacknowledged"; }));
    CHECK(wait_until([&] { return retained() == only_alarm(site); }));
    CHECK(site.stop() == 0);
}

TEST_CASE("people leave and come home without a restart, and a kill does not end their absence") {
    Site site({.meters = meter_that_may_be_silent});
    site.start();
    const auto left = site.client({"away", "house", "--for", "14d"});
    INFO(left.error);
    REQUIRE(left.status == 0);
    CHECK_THAT(left.out, Catch::Contains("any tick then raises away-use"));
    site.kill();
    site.start();
    const auto meter = [&] { return site.get("/v1/meters").at("meters")[0]; };
    CHECK(meter().at("away") == true);
    CHECK(meter().at("away_to").is_string());
    REQUIRE(site.client({"back"}).status == 0);
    CHECK(meter().at("away") == false);
    CHECK(site.client({"away", "--until", "2026-03-05"}).status == 1);
    CHECK(site.stop() == 0);
}

TEST_CASE("instructions about alarms are in the message log, and its replay gives the same answers") {
    Site site({.meters = meter_that_may_be_silent});
    const auto night = recording(site.directory().path());
    REQUIRE(site.replay({night}).status == 0);
    site.start();
    const std::string id = std::to_string(only_alarm(site).at("id").get<int>());
    REQUIRE(site.client({"alarms", "--acknowledge", id}).status == 0);
    REQUIRE(site.client({"alarms", "--shelve", id, "--for", "30d"}).status == 0);
    REQUIRE(site.client({"away", "--until", "2099-01-01"}).status == 0);
    const std::string alarms = site.text("/v1/alarms");
    // The age of the last flow changes every second.
    const auto meters_of = [](Site& of) {
        auto meters = of.get("/v1/meters").at("meters");
        for (auto& meter : meters)
            meter.erase("flow_age_s");
        return meters;
    };
    const auto meters = meters_of(site);
    CHECK(site.stop() == 0);

    Site other({.meters = meter_that_may_be_silent});
    REQUIRE(other.replay({night}).status == 0);
    REQUIRE(other.replay({(site.store() / "messages").string()}).status == 0);
    other.start();
    CHECK(other.text("/v1/alarms") == alarms);
    CHECK(meters_of(other) == meters);
    CHECK(other.stop() == 0);
}
