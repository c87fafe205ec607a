// Brokers that come and go.
#include <catch2/catch.hpp>

#include "recorder.hpp"

using namespace tickledger;
using namespace tickledger::test;

TEST_CASE("a broker restarted with its data loses no message") {
    MosquittoProcess broker;
    Recorder recorder;
    const auto link = start_link(settings_for(broker), recorder);
    REQUIRE(wait_subscribed(*link));
    broker.publish_lines("nodes/a", numbers(1, 20));
    REQUIRE(wait_until([&] { return recorder.messages().size() == 20; }));
    broker.stop();
    REQUIRE(wait_until([&] { return !link->state().connected; }));
    broker.start();
    broker.publish_lines("nodes/a", numbers(21, 40));  // Possibly before the link is back.
    REQUIRE(wait_until([&] { return recorder.payloads().size() == 40; }));
    CHECK(link->state().connects == 2);
    CHECK(recorder.count_of("down") == 1);
    CHECK(recorder.count_of("up present") == 1);
    CHECK(link->state().trouble.empty());
    link->stop(stop_wait);
}

TEST_CASE("the link subscribes again at a broker that was killed and forgot the session") {
    MosquittoProcess broker;
    Recorder recorder;
    const auto link = start_link(settings_for(broker), recorder);
    REQUIRE(wait_subscribed(*link));
    broker.kill();
    REQUIRE(wait_until([&] { return !link->state().connected; }));
    broker.start();
    REQUIRE(wait_subscribed(*link));
    broker.publish("nodes/a", "1");
    REQUIRE(wait_until([&] { return recorder.messages().size() == 1; }));
    CHECK(recorder.events() == std::vector<std::string>{"up", "down", "up", "message 1"});
    link->stop(stop_wait);
}

TEST_CASE("the link connects when a broker that was absent at the start appears") {
    MosquittoProcess broker;
    broker.stop();
    Recorder recorder;
    const auto link = start_link(settings_for(broker), recorder);
    REQUIRE(wait_until([&] { return !recorder.troubles().empty(); }));
    CHECK_THAT(recorder.troubles()[0],
               Catch::Contains(broker.url() + " refuses the connection (connection refused); is it "
                                              "running?; trying again in 1 s"));
    CHECK_FALSE(link->state().connected);
    REQUIRE(wait_until([&] { return !link->state().trouble.empty(); }));
    broker.start();
    REQUIRE(wait_subscribed(*link));
    CHECK(link->state().trouble.empty());
    broker.publish("nodes/a", "1");
    CHECK(wait_until([&] { return recorder.messages().size() == 1; }));
    link->stop(stop_wait);
}

TEST_CASE("the same trouble is written to the journal only once") {
    MosquittoProcess broker;
    broker.stop();
    Recorder recorder;
    const auto link = start_link(settings_for(broker), recorder);
    // The waits grow, with jitter: the third is 3, 4 or 5 seconds.
    const auto waits_long = [&] {
        const std::string trouble = link->state().trouble;
        return trouble.find("again in 3 s") != std::string::npos ||
               trouble.find("again in 4 s") != std::string::npos ||
               trouble.find("again in 5 s") != std::string::npos;
    };
    REQUIRE(wait_until(waits_long));
    CHECK(recorder.troubles().size() == 1);
    link->stop(stop_wait);
}

// Nothing here checks a clock. If stopping does not end, the test reaches its own time limit.
TEST_CASE("stopping ends, whatever the broker does") {
    MosquittoProcess broker;
    Recorder recorder;
    auto link = start_link(settings_for(broker), recorder);
    // Longer than any test may take. If the broker answers or is gone, nothing waits that long.
    constexpr std::chrono::hours without_end{1};
    SECTION("the broker answers: at once") {
        REQUIRE(wait_subscribed(*link));
        link->stop(without_end);
    }
    SECTION("the broker hangs") {
        REQUIRE(wait_subscribed(*link));
        broker.freeze();
        link->stop(std::chrono::milliseconds{500});
        broker.thaw();
    }
    SECTION("the broker is gone") {
        REQUIRE(wait_subscribed(*link));
        broker.kill();
        link->stop(without_end);
    }
    SECTION("nothing was connected yet") {
        link->stop(without_end);
    }
    const auto events = recorder.events().size();
    link.reset();
    CHECK(recorder.events().size() == events);
}

TEST_CASE("a hanging callback does not delay stopping, and its message is not acknowledged") {
    const MosquittoProcess broker;
    std::atomic<bool> inside = false;
    std::atomic<bool> released = false;
    BrokerLink::Callbacks callbacks;
    callbacks.on_link = [](LinkChange) { return true; };
    callbacks.on_message = [&](Message&&) {
        inside = true;
        static_cast<void>(wait_until([&] { return released.load(); }));
        return false;
    };
    auto link = BrokerLink::start(settings_for(broker), {"nodes/#"}, callbacks);
    REQUIRE(link);
    REQUIRE(wait_subscribed(**link));
    broker.publish("nodes/a", "1");
    REQUIRE(wait_until([&] { return inside.load(); }));
    CHECK((*link)->publish({1, "t", "p", false}));  // Does not wait for the callback, either.
    (*link)->stop(std::chrono::milliseconds{300});
    released = true;
    link->reset();

    Recorder recorder;
    const auto next = start_link(settings_for(broker), recorder);
    CHECK(wait_until([&] { return recorder.payloads().contains("1"); }));
    next->stop(stop_wait);
}
