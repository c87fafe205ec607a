// SIGHUP: other meters, alarms and prices, while messages come in.
#include <fmt/format.h>
#include <mqtt/async_client.h>
#include <signal.h>

#include <catch2/catch.hpp>
#include <fstream>

#include "support/mosquitto_process.hpp"
#include "system/load.hpp"
#include "system/site.hpp"

using namespace tickledger::test;
using nlohmann::json;

namespace {

constexpr const char* another_meter = R"(
[[meter]]
id = "garden"
topic = "nodes/garden/water"
pulse_value = "10 L"
)";

/// Rewrites the configuration file, reloads it, and waits until the journal has the answer.
void reload(Site& site, const std::string& text, const std::string& answer) {
    std::ofstream(site.config()) << text;
    const std::size_t before = site.journal().size();
    site.daemon().signal(SIGHUP);
    REQUIRE(wait_until([&] { return site.journal().find(answer, before) != std::string::npos; }));
}

bool is_booked(const Site& site, const std::string& meter, double register_m3) {
    const json answer = site.get("/v1/meters");
    for (const json& found : answer.at("meters")) {
        if (found.at("id") == meter && !found.at("register_m3").is_null())
            return found.at("register_m3").get<double>() == register_m3;
    }
    return false;
}

constexpr const char* was_read = "was reloaded";

}  // namespace

TEST_CASE("a reload adds new meters and drops removed ones, without a restart") {
    MosquittoProcess::Options logs_all;
    logs_all.more = "log_type unsubscribe";
    MosquittoProcess broker(logs_all);
    Site site({.broker_url = broker.url(), .meters = one_meter});
    site.start();
    const std::string before = read_file(site.config());
    REQUIRE(site.becomes_subscribed());
    broker.publish("nodes/house", R"({"count":1000,"boot":1,"seq":1})");
    broker.publish("nodes/house", R"({"count":1001,"boot":1,"seq":2})");
    REQUIRE(wait_until([&] { return is_booked(site, "house", 0.001); }));
    const auto pid = site.daemon().pid();

    reload(site, before + another_meter, was_read);
    CHECK(site.get("/v1/meters").at("meters").size() == 2);
    REQUIRE(site.becomes_subscribed());
    broker.publish("nodes/garden/water", R"({"count":7,"boot":1,"seq":1})");
    broker.publish("nodes/garden/water", R"({"count":8,"boot":1,"seq":2})");
    CHECK(wait_until([&] { return is_booked(site, "garden", 0.01); }));

    // The same ticks immediately stand for other litres.
    std::string doubled = before;
    doubled += "pulse_value = \"2 L\"\n";
    reload(site, doubled, was_read);
    CHECK(is_booked(site, "house", 0.002));
    CHECK(site.get("/v1/meters").at("meters").size() == 1);
    // "client topic" in the broker's log: the daemon has unsubscribed.
    REQUIRE(
        wait_until([&] { return broker.log().find("tickledger nodes/garden/water") != std::string::npos; }));
    broker.publish("nodes/garden/water", R"({"count":9,"boot":1,"seq":3})");
    broker.publish("nodes/house", R"({"count":1002,"boot":1,"seq":3})");
    CHECK(wait_until([&] { return is_booked(site, "house", 0.004); }));
    // The garden's message did not arrive, because nobody subscribes to it now.
    CHECK(site.get("/v1/health").at("messages").at("accepted") == 5);
    CHECK(site.daemon().pid() == pid);
    CHECK(site.stop() == 0);
}

TEST_CASE("a reload reports mistakes in the configuration, and the previous one stays in force") {
    Site site({.meters = one_meter});
    site.start();
    const std::string before = read_file(site.config());
    reload(site, before + "colour = \"blue\"\n", "stay in force");
    CHECK(site.journal().find("unknown key `colour`") != std::string::npos);
    CHECK(site.get("/v1/meters").at("meters").size() == 1);
    reload(site, before, was_read);
    CHECK(site.stop() == 0);
}

TEST_CASE("a reload names each table whose changes need a restart") {
    Site site({.meters = one_meter});
    site.start();
    std::string text = read_file(site.config());
    text.replace(text.find("[site]"), 6,
                 "[tariff]\ncurrency = \"EUR\"\nprice_per_m3 = { \"2026-01-01\" = \"2\" }\n[site]");
    text.replace(text.find("mqtt://127.0.0.1:1\""), 19, "mqtt://127.0.0.1:2\"");
    reload(site, text, "takes effect at the next start");
    CHECK(site.journal().find("[broker] changed too") != std::string::npos);
    CHECK(site.journal().find("[socket]") == std::string::npos);
    CHECK(site.stop() == 0);
}

TEST_CASE("reloads under load lose no message and count none twice") {
    MosquittoProcess broker;
    const std::string loaded =
        "[[meter]]\nid = \"load-{1}\"\ntopic = \"load/+\"\nq3 = \"1000000 m3/h\"\ncounter_bits = 16\n"
        "[meter.alarms]\noff = [\"high-flow\", \"long-draw\"]\n";
    Site site({.broker_url = broker.url(), .meters = loaded});
    site.start();
    REQUIRE(site.becomes_subscribed());
    const std::string before = read_file(site.config());
    Load load(broker.url(), {{.topic = "load/a"}, {.topic = "load/b"}}, 1000, 7);
    for (std::uint64_t round = 1; round <= 10; ++round) {
        REQUIRE(wait_until([&] { return load.delivered() > round * 100; }));
        reload(site, round % 2 == 1 ? before + another_meter : before, was_read);
    }
    const auto nodes = load.finish();
    for (const LoadNode& node : nodes) {
        const std::string id = "load-" + node.topic.substr(node.topic.size() - 1);
        INFO(id << ": sent " << node.told_ticks << " ticks");
        CHECK(wait_until([&] { return is_booked(site, id, static_cast<double>(node.told_ticks) / 1000); }));
    }
    CHECK(site.stop() == 0);
}

TEST_CASE("a flood of new topics opens no more meters than allowed, and raising the limit needs no restart") {
    MosquittoProcess broker;
    Site site(
        {.broker_url = broker.url(), .meters = "[[meter]]\nid = \"flat-{1}\"\ntopic = \"flats/+/water\"\n"});
    std::string text = read_file(site.config());
    text.replace(text.find("[site]"), 6, "[site]\nmax_meters = 20");
    std::ofstream(site.config()) << text;
    site.start();
    REQUIRE(site.becomes_subscribed());
    constexpr int flats = 500;
    const auto all_speak = [&](int seq) {
        mqtt::async_client client(broker.url(), "flats");
        client.connect()->wait();
        std::vector<mqtt::delivery_token_ptr> sent;
        const std::string says = fmt::format(R"({{"count":{0},"boot":1,"seq":{0}}})", seq);
        for (int i = 0; i < flats; ++i) {
            sent.push_back(client.publish(fmt::format("flats/{}/water", i), says, 1, false));
            REQUIRE(sent.back()->wait_for(patience));
        }
        const auto told = static_cast<std::size_t>(flats) * static_cast<std::size_t>(seq);
        REQUIRE(wait_until([&] { return site.get("/v1/health").at("messages").at("booked") == told; }));
    };
    all_speak(1);
    CHECK(site.get("/v1/meters").at("meters").size() == 20);
    CHECK(site.text("/v1/health").find("one meter more than [site] max_meters = 20") != std::string::npos);
    text.replace(text.find("max_meters = 20"), 15, "max_meters = 600");
    reload(site, text, was_read);
    CHECK(site.text("/v1/health").find("one meter more") == std::string::npos);
    all_speak(2);
    CHECK(site.get("/v1/meters").at("meters").size() == flats);
    CHECK(site.stop() == 0);
}
