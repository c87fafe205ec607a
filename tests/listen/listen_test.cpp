// Listening to a real broker.
#include "listen/listen.hpp"

#include <atomic>
#include <catch2/catch.hpp>
#include <thread>

#include "support/mosquitto_process.hpp"

namespace tickledger {

TEST_CASE("listening needs no configuration and leaves nothing on the broker") {
    test::MosquittoProcess broker;
    // The node sends until it has been heard, so the test depends on no particular moment.
    std::atomic<bool> is_done = false;
    std::thread node([&] {
        for (int count = 100; !is_done; count += 2)
            broker.publish("nodes/cellar/water", R"({"count":)" + std::to_string(count) + "}");
    });
    ListenOrder order;
    order.broker.url = broker.url();
    order.filter = "nodes/#";
    order.length = std::chrono::seconds{3};
    const auto findings = listen(order);
    is_done = true;
    node.join();
    REQUIRE(findings.has_value());
    const auto topics = findings->found();
    REQUIRE(topics.size() == 1);
    CHECK(topics[0].topic == "nodes/cellar/water");
    REQUIRE(topics[0].field(FieldUse::count));
    CHECK(topics[0].field(FieldUse::count)->pointer == "/count");
    broker.stop();
}

TEST_CASE("an unreachable broker is reported with its address") {
    ListenOrder order;
    order.broker.url = "mqtt://127.0.0.1:1";
    const auto findings = listen(order);
    REQUIRE_FALSE(findings.has_value());
    CHECK_THAT(findings.error().text, Catch::Contains("mqtt://127.0.0.1:1"));
    CHECK(run_listen(order) == 69);
}

TEST_CASE("a wrong call ended like a broker that cannot be reached, and named settings instead of options") {
    const auto text_of = [](const ListenOrder& order, int status) {
        CHECK(run_listen(order) == status);
        const auto findings = listen(order);
        return findings ? std::string{} : findings.error().text;
    };
    ListenOrder order;
    order.broker.url = "word";
    CHECK(text_of(order, 64) ==
          "--broker `word` begins with neither mqtt:// nor mqtts://; write it as mqtt://HOST:PORT or "
          "mqtts://HOST:PORT.");
    order.broker.url = "mqtt://user@host";
    CHECK_THAT(text_of(order, 64), Catch::Contains("give --username and --password-file instead"));
    order = {};
    order.broker.ca_file = "/no/such";
    CHECK_THAT(text_of(order, 64), Catch::StartsWith("--ca-file = \"/no/such\" cannot be read"));
    order.broker.password_file = "/no/such";
    CHECK(text_of(order, 64) == "--password-file is set but --username is not; a password needs a username.");
    order.is_configured = true;
    CHECK_THAT(text_of(order, 78), Catch::StartsWith("broker.password_file is set"));
    order.is_configured = false;
    order.broker.username = "ada";
    CHECK(text_of(order, 64) ==
          "The password file /no/such cannot be read (No such file or directory); check --password-file.");
}

}  // namespace tickledger
