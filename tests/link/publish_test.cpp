// Publications to the broker, and the status.
#include <catch2/catch.hpp>

#include "recorder.hpp"

using namespace tickledger;
using namespace tickledger::test;

TEST_CASE("the status is up once subscribed, and down after an orderly stop") {
    const MosquittoProcess broker;
    const Watcher watcher(broker, "water/status");
    Recorder recorder;
    auto settings = settings_for(broker);
    settings.topic_root = "water";
    const auto link = start_link(settings, recorder);
    REQUIRE(wait_until([&] { return watcher.count(R"(water/status {"state":"up"})") == 1; }));
    CHECK(broker.retained("water/status") == R"({"state":"up"})");
    link->stop(stop_wait);
    REQUIRE(wait_until([&] { return watcher.count(R"(water/status {"state":"down"})") >= 1; }));
    CHECK(broker.retained("water/status") == R"({"state":"down"})");
    CHECK(watcher.lines().size() == 2);  // No Will after an orderly disconnect.
}

TEST_CASE("each publication is confirmed once, when the broker has it") {
    const MosquittoProcess broker;
    const Watcher watcher(broker, "tickledger/meters/#");
    Recorder recorder;
    const auto link = start_link(settings_for(broker), recorder);
    REQUIRE(wait_subscribed(*link));
    constexpr std::int64_t last = 300;
    std::set<std::int64_t> expected;
    for (std::int64_t id = 1; id <= last; ++id) {
        const Publication publication{id, "tickledger/meters/a/usage", std::to_string(id), false};
        REQUIRE(wait_until([&] { return link->publish(publication); }));  // The window opens repeatedly.
        expected.insert(id);
    }
    REQUIRE(wait_until([&] { return recorder.published().size() >= expected.size(); }));
    std::set<std::int64_t> told;
    for (const auto id : recorder.published())
        CHECK(told.insert(id).second);
    CHECK(told == expected);
    CHECK(wait_until([&] { return watcher.count("tickledger/meters/a/usage 300") >= 1; }));
    link->stop(stop_wait);
}

TEST_CASE("a retained publication is retained") {
    const MosquittoProcess broker;
    Recorder recorder;
    const auto link = start_link(settings_for(broker), recorder);
    REQUIRE(wait_subscribed(*link));
    REQUIRE(link->publish({7, "tickledger/meters/a/day", "{\"ticks\":1}", true}));
    REQUIRE(wait_until([&] { return recorder.published() == std::vector<std::int64_t>{7}; }));
    CHECK(broker.retained("tickledger/meters/a/day") == "{\"ticks\":1}");
    link->stop(stop_wait);
}

TEST_CASE("at most one window waits for acknowledgement, and publications on a lost link are not confirmed") {
    MosquittoProcess broker;
    Recorder recorder;
    const auto link = start_link(settings_for(broker), recorder);
    REQUIRE(wait_subscribed(*link));
    broker.freeze();
    std::int64_t taken = 0;
    while (taken < 1000 && link->publish({taken + 1, "tickledger/x", "1", false}))
        ++taken;
    CHECK(taken == 100);
    broker.kill();
    REQUIRE(wait_until([&] { return !link->state().connected; }));
    CHECK_FALSE(link->publish({2000, "tickledger/x", "1", false}));
    broker.start();
    REQUIRE(wait_subscribed(*link));
    // The window is free again, and only the publication made now is confirmed.
    REQUIRE(link->publish({3000, "tickledger/x", "1", false}));
    REQUIRE(wait_until([&] { return !recorder.published().empty(); }));
    CHECK(recorder.published() == std::vector<std::int64_t>{3000});
    link->stop(stop_wait);
}

TEST_CASE("a full window calls for more once, when half of it is free") {
    MosquittoProcess broker;
    Recorder recorder;
    const auto link = start_link(settings_for(broker), recorder);
    REQUIRE(wait_subscribed(*link));
    for (std::int64_t full = 1; full <= 2; ++full) {
        broker.freeze();
        for (std::int64_t id = 1; id <= 100; ++id)
            REQUIRE(link->publish({1000 * full + id, "tickledger/x", "1", false}));
        REQUIRE_FALSE(link->publish({1000 * full + 101, "tickledger/x", "1", false}));
        broker.thaw();
        REQUIRE(
            wait_until([&] { return recorder.published().size() == 100 * static_cast<std::size_t>(full); }));
    }
    CHECK(recorder.published_at_room() == std::vector<std::size_t>{50, 150});
    link->stop(stop_wait);
}

TEST_CASE("a window that was never full calls for nothing") {
    const MosquittoProcess broker;
    Recorder recorder;
    const auto link = start_link(settings_for(broker), recorder);
    REQUIRE(wait_subscribed(*link));
    for (std::int64_t id = 1; id <= 100; ++id)
        REQUIRE(link->publish({id, "tickledger/x", "1", false}));
    REQUIRE(wait_until([&] { return recorder.published().size() == 100; }));
    CHECK(recorder.published_at_room().empty());
    link->stop(stop_wait);
}

TEST_CASE("publishing from within a callback works") {
    const MosquittoProcess broker;
    Recorder recorder;
    BrokerLink::Callbacks callbacks = recorder.callbacks();
    std::atomic<BrokerLink*> self = nullptr;
    callbacks.on_message = [&, keep = callbacks.on_message](Message&& message) {
        BrokerLink* link = self;
        return link != nullptr && link->publish({9, "tickledger/echo", message.payload, false}) &&
               keep(std::move(message));
    };
    auto link = BrokerLink::start(settings_for(broker), {"nodes/#"}, callbacks);
    REQUIRE(link);
    self = link->get();
    REQUIRE(wait_subscribed(**link));
    broker.publish("nodes/a", "1");
    CHECK(wait_until([&] { return recorder.published() == std::vector<std::int64_t>{9}; }));
    (*link)->stop(stop_wait);
}

TEST_CASE("no publication is accepted while the broker is away") {
    MosquittoProcess broker;
    broker.stop();
    Recorder recorder;
    const auto link = start_link(settings_for(broker), recorder);
    REQUIRE(wait_until([&] { return !recorder.troubles().empty(); }));
    CHECK_FALSE(link->publish({1, "tickledger/x", "1", false}));
    link->stop(stop_wait);
}
