// Broken, odd and malicious nodes beside an honest one. Their messages are reported clearly, take no lasting
// memory, and do not change the honest node's account.
#include <fmt/format.h>
#include <mqtt/async_client.h>

#include <catch2/catch.hpp>
#include <deque>

#include "core/json_text.hpp"
#include "support/mosquitto_process.hpp"
#include "system/site.hpp"

using namespace tickledger::test;
using nlohmann::json;

namespace {

constexpr const char* three_forms = R"(
[[meter]]
id = "house"
topic = "nodes/cellar/water"
[[meter]]
id = "garden"
topic = "nodes/garden/water"
message = "pulses"
[[meter]]
id = "attic"
topic = "nodes/attic/water"
message = "senml"
)";

struct Odd {
    const char* topic;
    std::string payload;
    /// Part of the sentence that reports it.
    const char* told;
};

std::vector<Odd> odd_messages() {
    const char* house = "nodes/cellar/water";
    const char* garden = "nodes/garden/water";
    const char* attic = "nodes/attic/water";
    return {
        {house, R"({"count":NaN})", "not JSON"},
        {house, R"({"count":1e308})", "`count`"},
        {house, R"({"count":-1})", "negative"},
        {house, R"({"count":1000.5})", "whole number"},
        {house, R"({"count":"1000"})", "`count`"},
        {house, R"({"count":18446744073709551616})", "`count`"},
        {house, R"({"count":1001,"boot":[1]})", "`boot`"},
        {house, R"({"count":1001,"time":"yesterday"})", "`time`"},
        {house, "", "empty"},
        {house, std::string(60'000, '['), "deep"},
        {house, "{\"count\":1001,\"boot\":\"\xff\xfe\"}", "byte"},
        {house, "{\"count\":1001}" + std::string(65'536 - 13, ' '), "more than 65536"},
        {garden, R"({"pulses":1e308})", "`pulses`"},
        {garden, R"({"pulses":-7})", "negative"},
        {garden, R"({"count":7})", "`pulses`"},
        {attic, R"([{"n":"w","u":"count","v":1e308}])", "w"},
        {attic, R"([{"n":"w","u":"count","v":-3}])", "negative"},
        {attic, R"([{"n":"w","u":"count","v":1,"must_":1}])", "must_"},
        // CBOR: a text that claims to be a terabyte long, and an array that claims four billion records.
        {attic, "\x81\xa1\x61w\x7b\x01\x01\x01\x01\x01\x01\x01\x01", "CBOR"},
        {attic, "\x9a\xff\xff\xff\xff", "CBOR"},
    };
}

std::size_t booked(const Site& site) {
    return site.get("/v1/health").at("messages").at("booked");
}

}  // namespace

TEST_CASE("messages of broken and malicious nodes are reported clearly and change nothing") {
    const MosquittoProcess broker;
    Site site({.broker_url = broker.url(), .meters = three_forms});
    site.start();
    REQUIRE(site.becomes_subscribed());
    const auto honest = [&](int count, int seq, const char* time) {
        broker.publish(
            "nodes/cellar/water",
            fmt::format(R"({{"count":{},"boot":1,"seq":{},"time":"2026-03-01T{}Z"}})", count, seq, time));
    };
    honest(1000, 1, "07:00:00");
    const auto odd = odd_messages();
    for (const Odd& one : odd)
        broker.publish(one.topic, one.payload);
    // Readable and below 2^32, but no water runs so fast. It is held, and set aside by what follows.
    broker.publish("nodes/cellar/water",
                   R"({"count":4294967295,"boot":1,"seq":2,"time":"2026-03-01T07:03:00Z"})");
    honest(1007, 3, "07:06:00");
    REQUIRE(wait_until([&] { return booked(site) == odd.size() + 3; }));

    const json messages = site.get("/v1/health").at("messages");
    CHECK(messages.at("unreadable") == odd.size());
    CHECK(messages.at("stray") == 1);
    const json house = site.get("/v1/meters").at("meters").at(0);
    CHECK(house.at("register_m3") == 0.007);

    json refused = json::array();
    for (const char* meter : {"house", "garden", "attic"}) {
        const json ledger = site.get(fmt::format("/v1/meters/{}/ledger", meter));
        for (const json& one : ledger.at("refused")) {
            INFO(one.dump());
            CHECK(one.dump().size() < 2000);
            if (one.at("reason") == "unreadable") refused.push_back(one);
        }
    }
    REQUIRE(refused.size() == odd.size());
    for (std::size_t i = 0; i < odd.size(); ++i) {
        INFO(odd[i].payload.substr(0, 60) << ": " << refused[i].dump());
        CHECK(refused[i].dump().find(odd[i].told) != std::string::npos);
    }
    CHECK(site.client({"ledger"}).status == 0);
    CHECK(site.stop() == 0);
}

TEST_CASE("a flood of rubbish fills neither memory nor the journal") {
    const MosquittoProcess broker;
    Site site({.broker_url = broker.url(), .meters = R"(
[[meter]]
id = "house"
topic = "nodes/+/water"
)"});
    site.start();
    REQUIRE(site.becomes_subscribed());
    mqtt::async_client client(broker.url(), "flood");
    client.connect(mqtt::connect_options_builder().max_inflight(100).clean_session(true).finalize())->wait();
    std::size_t sent = 0;
    const auto flood = [&](std::size_t up_to) {
        const std::string rubbish(1000, '{');
        std::deque<mqtt::delivery_token_ptr> under_way;
        for (; sent < up_to; ++sent) {
            under_way.push_back(client.publish(fmt::format("nodes/{}/water", sent % 100), rubbish, 1, false));
            if (under_way.size() < 50) continue;
            REQUIRE(under_way.front()->wait_for(patience));
            under_way.pop_front();
        }
        for (const auto& token : under_way)
            REQUIRE(token->wait_for(patience));
        REQUIRE(wait_until([&] { return booked(site) == up_to; }, 2 * patience));
        return resident_kb(site.daemon().pid());
    };
    const auto after_some_kb = flood(5'000);
    const auto after_all_kb = flood(25'000);
    INFO(after_some_kb << " KiB, then " << after_all_kb << " KiB");
    REQUIRE(after_some_kb > 0);
    // Five times the rubbish takes less than a quarter more memory. A sanitizer keeps a shadow of all memory
    // ever used, so it is not measured there.
#if !defined(__SANITIZE_THREAD__) && !defined(__SANITIZE_ADDRESS__)
    // The memory of a burst is returned within half a minute.
    CHECK(wait_until([&] { return resident_kb(site.daemon().pid()) * 4 < after_some_kb * 5; }, 4 * patience));
#endif
    CHECK(site.get("/v1/health").at("messages").at("unreadable") == sent);
    CHECK(site.journal().size() < 20'000);
    CHECK(site.stop() == 0);
}

TEST_CASE("one message of a hundred megabytes kept its memory for good") {
    const MosquittoProcess broker;
    Site site({.broker_url = broker.url(), .meters = one_meter});
    site.start();
    REQUIRE(site.becomes_subscribed());
    broker.publish("nodes/house", R"({"count":1})");
    REQUIRE(wait_until([&] { return booked(site) == 1; }));
    const auto before_kb = resident_kb(site.daemon().pid());
    const auto file = site.directory().write("huge", std::string(std::size_t{100} << 20U, 'x'));
    const Outcome sent = run_to_end({"mosquitto_pub", "-p", std::to_string(broker.port()), "-q", "1", "-t",
                                     "nodes/house", "-f", file.string()});
    REQUIRE(sent.status == 0);
    REQUIRE(wait_until([&] { return booked(site) == 2; }, 2 * patience));
    INFO(before_kb << " KiB before");
#if !defined(__SANITIZE_THREAD__) && !defined(__SANITIZE_ADDRESS__)
    // The library keeps 100 MiB for as long as the connection lives.
    CHECK(wait_until([&] { return resident_kb(site.daemon().pid()) < before_kb + 16 * 1024; }, 4 * patience));
#endif
    REQUIRE(
        wait_until([&] { return site.journal().find("a message of 100 MiB arrived") != std::string::npos; },
                   2 * patience));
    REQUIRE(site.becomes_subscribed());
    broker.publish("nodes/house", R"({"count":2})");
    CHECK(wait_until([&] { return booked(site) == 3; }));
    CHECK(site.get("/v1/health").at("messages").at("unreadable") == 1);
    // It was acknowledged, so the session does not deliver it again.
    CHECK(site.get("/v1/health").at("messages").at("accepted") == 3);
    CHECK(site.stop() == 0);
}

TEST_CASE("a node that sends every 15 minutes with a cadence of 3 was only reported as silent") {
    const MosquittoProcess broker;
    Site site({.broker_url = broker.url(), .meters = one_meter});
    site.start();
    REQUIRE(site.becomes_subscribed());
    for (int turn = 0; turn < 8; ++turn) {
        broker.publish("nodes/house",
                       fmt::format(R"({{"count":{},"boot":1,"seq":{},"time":"2026-03-01T{:02}:{:02}:00Z"}})",
                                   1000 + turn, turn, 7 + turn / 4, turn % 4 * 15));
        REQUIRE(wait_until([&] { return booked(site) == static_cast<std::size_t>(turn) + 1; }));
        // Seven readings have six pauses between them.
        const std::string troubles = site.get("/v1/health").at("troubles").dump();
        CHECK((troubles.find(R"(cadence = \"15min\")") != std::string::npos) == (turn >= 6));
    }
    CHECK(site.stop() == 0);
}
