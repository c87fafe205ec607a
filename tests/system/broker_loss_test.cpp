// The broker loses its queue, or keeps it while no daemon listens.
#include <fmt/format.h>

#include <catch2/catch.hpp>

#include "support/mosquitto_process.hpp"
#include "system/load.hpp"
#include "system/site.hpp"

using namespace tickledger::test;
using nlohmann::json;

namespace {

const std::string meters = load_meters("", "1000000 m3/h");

}  // namespace

TEST_CASE("a killed broker forgets its queue: counts recover the ticks, pulses show a gap") {
    MosquittoProcess broker;
    Site site({.broker_url = broker.url(), .meters = meters});
    site.start();
    REQUIRE(site.becomes_subscribed());
    broker.publish("load/counters/0", R"({"count":100,"boot":1,"seq":1})");
    broker.publish("load/pulses/0", R"({"pulses":5,"boot":1,"seq":1})");
    REQUIRE(wait_until([&] { return site.get("/v1/health").at("messages").at("booked") == 2; }));
    site.kill();
    for (int seq = 2; seq <= 4; ++seq) {
        broker.publish("load/counters/0",
                       fmt::format(R"({{"count":{},"boot":1,"seq":{}}})", 100 + 10 * seq, seq));
        broker.publish("load/pulses/0", fmt::format(R"({{"pulses":10,"boot":1,"seq":{}}})", seq));
    }
    broker.kill();
    broker.start();
    site.start();
    REQUIRE(site.becomes_subscribed());
    broker.publish("load/counters/0", R"({"count":150,"boot":1,"seq":5})");
    broker.publish("load/pulses/0", R"({"pulses":7,"boot":1,"seq":5})");
    REQUIRE(wait_until([&] { return site.get("/v1/health").at("messages").at("booked") == 4; }));
    CHECK(site.registers().at("counter-0") == 50);
    CHECK(site.registers().at("pulses-0") == 5 + 7);
    const json entries = site.get(std::string("/v1/meters/pulses-0/ledger?") + all_days).at("entries");
    REQUIRE(entries.size() == 3);
    CHECK(entries[0].at("ticks") == 5);
    CHECK(entries[1].at("kind") == "lost");
    CHECK(entries[1].at("ticks").is_null());
    CHECK(entries[2].at("ticks") == 7);
}

TEST_CASE("a counter without a clock that wraps while no daemon listens is booked from the queued messages") {
    MosquittoProcess broker;
    Site site({.broker_url = broker.url(), .meters = meters});
    site.start();
    REQUIRE(site.becomes_subscribed());
    int seq = 0;
    const auto say = [&](int count) {
        broker.publish("load/counters/0", fmt::format(R"({{"count":{},"boot":1,"seq":{}}})", count, ++seq));
    };
    say(65'530);
    REQUIRE(wait_until([&] { return site.get("/v1/health").at("messages").at("booked") == 1; }));
    site.kill();
    say(65'532);
    say(3);
    site.start();
    REQUIRE(wait_until([&] { return site.get("/v1/health").at("messages").at("booked") == 3; }));
    // The sequence numbers show that 3 came after 65 532, so the fall is a wrap and not a repetition.
    CHECK(site.registers().at("counter-0") == 9);
    // A message that arrives while the broker still delivers its queue counts as queued, too. So it is sent
    // again.
    CHECK(wait_until([&] {
        say(5);
        return wait_until([&] { return site.registers().at("counter-0") == 11; },
                          std::chrono::milliseconds{1500});
    }));
}
