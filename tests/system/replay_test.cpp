// A replay of the daemon's own message log gives the same answers as the live run.
#include <fmt/format.h>

#include <catch2/catch.hpp>

#include "support/mosquitto_process.hpp"
#include "system/load.hpp"
#include "system/site.hpp"

using namespace tickledger::test;
using nlohmann::json;

namespace {

// No node counts as silent while the two are compared.
constexpr const char* meters = R"(
[[meter]]
id = "counter-{1}"
topic = "load/counters/+"
counter_bits = 16
q3 = "1000000 m3/h"
interval = "10s"
[meter.alarms]
silent_after = "1d"
[[meter]]
id = "pulses-{1}"
topic = "load/pulses/+"
message = "pulses"
interval = "10s"
[meter.alarms]
silent_after = "1d"
)";

/// Everything that can be asked about the past.
std::string answers(const Site& site) {
    std::string all;
    for (const std::string meter : {"counter-0", "counter-1", "pulses-0", "pulses-1"}) {
        const std::string path = "/v1/meters/" + meter;
        for (const std::string step : {"hour", "day", "month", "year"})
            all += site.text(path + "/usage?step=" + step);
        all += site.text(path + "/usage?step=interval");
        all += site.text(path + "/ledger?from=2020-01-01&to=2100-01-01");
    }
    return all + site.text("/v1/alarms");
}

}  // namespace

TEST_CASE("a replay of the message log gives the live run's answers, byte for byte") {
    MosquittoProcess broker;
    Site live({.broker_url = broker.url(), .meters = meters});
    live.start();
    REQUIRE(wait_until([&] { return live.get("/v1/health").at("broker").at("subscribed") == true; }));
    // Two boards with modest meters too: their gains are more than a pipe carries, and are held or refused.
    std::vector<LoadNode> boards{{.topic = "load/counters/0", .count = load_counter_modulus - 20},
                                 {.topic = "load/counters/1", .tells_time = false},
                                 {.topic = "load/pulses/0", .is_counter = false},
                                 {.topic = "load/pulses/1", .is_counter = false, .tells_time = false}};
    Load load(broker.url(), boards, 200, 11);
    REQUIRE(wait_until([&] { return load.delivered() >= 400; }));
    // The run includes a killed daemon, a restarted broker and an unreadable message.
    live.kill();
    const auto before = load.delivered();
    REQUIRE(wait_until([&] { return load.delivered() >= before + 100; }));
    live.start();
    broker.stop();
    broker.start();
    broker.publish("load/counters/0", "not a count");
    const auto meanwhile = load.delivered();
    REQUIRE(wait_until([&] { return load.delivered() >= meanwhile + 200; }));
    static_cast<void>(load.finish());
    broker.publish("load/counters/1", R"({"count":60000,"boot":77,"seq":1})");
    REQUIRE(wait_until([&] {
        const json messages = live.get("/v1/health").at("messages");
        return messages.at("accepted").get<std::uint64_t>() >= load.delivered() + 2 &&
               messages.at("accepted") == messages.at("booked");
    }));
    CHECK(live.stop() == 0);
    live.start();
    const std::string told_live = answers(live);
    CHECK(live.stop() == 0);

    Site again({.meters = meters});
    const Outcome replayed = again.replay({(live.store() / "messages").string()});
    INFO(replayed.error << replayed.out);
    REQUIRE(replayed.status == 0);
    again.start();
    const std::string told_again = answers(again);
    CHECK(told_again.size() > 10'000);
    CHECK(told_again == told_live);
}

TEST_CASE("a replay prints the ticks that it booked itself, and why it booked none") {
    Site site({.meters = one_meter});
    const auto recording = site.directory().write(
        "three.jsonl",
        R"({"tst":"2026-03-01T11:00:00Z","topic":"nodes/house","payload":{"count":5,"boot":1,"seq":1}})"
        "\n"
        R"({"tst":"2026-03-01T11:03:00Z","topic":"nodes/house","payload":{"count":12,"boot":1,"seq":2}})"
        "\n"
        R"({"tst":"2026-03-01T11:06:00Z","topic":"nodes/house","payload":"oops"})"
        "\n");
    const Outcome too_early = site.replay({"--until", "2026-02-01", recording.string()});
    CHECK(too_early.status == 0);
    CHECK_THAT(too_early.out, Catch::StartsWith("3 lines read.\n0 ticks booked from 0 messages.") &&
                                  Catch::Contains("Nothing was booked, because all lines are later than"));
    const Outcome first = site.replay({recording.string()});
    CHECK_THAT(first.out, Catch::Contains("\n7 ticks booked from 3 messages. Refused: 1 unreadable,"));
    CHECK_THAT(first.out, !Catch::Contains("No tick was booked"));
    const Outcome again = site.replay({recording.string()});
    CHECK_THAT(again.out,
               Catch::Contains("\n0 ticks booked from 3 messages.") &&
                   Catch::Contains("No tick was booked: the ledger had these messages already, or no count "
                                   "rose in them."));
}
