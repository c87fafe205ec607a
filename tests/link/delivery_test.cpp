// Incoming messages: one that is not kept is not acknowledged, and none is lost.
#include <catch2/catch.hpp>

#include "recorder.hpp"

using namespace tickledger;
using namespace tickledger::test;

TEST_CASE("messages arrive complete and in order, and are counted") {
    const MosquittoProcess broker;
    Recorder recorder;
    const auto link = start_link(settings_for(broker), recorder, {"nodes/+/water", "nodes/+/water", "other"});
    REQUIRE(wait_subscribed(*link));
    broker.publish_lines("nodes/cellar/water", numbers(1, 500));
    REQUIRE(wait_until([&] { return recorder.messages().size() >= 500; }));
    broker.publish("other", "last", true);
    REQUIRE(wait_until([&] { return recorder.messages().size() >= 501; }));

    const auto messages = recorder.messages();
    REQUIRE(messages.size() == 501);
    for (std::size_t i = 0; i < 500; ++i)
        CHECK(messages[i].payload == std::to_string(i + 1));
    CHECK(messages[0].topic == "nodes/cellar/water");
    CHECK(messages[0].qos == 1);
    CHECK_FALSE(messages[0].retained);
    CHECK_FALSE(messages[0].redelivered);
    CHECK(messages[500].topic == "other");
    CHECK(wait_until([&] { return link->state().received == 501; }));
    CHECK(link->state().connects == 1);
    link->stop(stop_wait);
    CHECK(recorder.events().front() == "up");
    CHECK(recorder.events().back() == "down");
}

TEST_CASE("a too long payload is cut one byte above the limit, enough to recognize it") {
    const MosquittoProcess broker;
    Recorder recorder;
    const auto link = start_link(settings_for(broker), recorder);
    REQUIRE(wait_subscribed(*link));
    broker.publish_lines("nodes/a",
                         {std::string(payload_max_bytes, 'x'), std::string(payload_max_bytes + 1, 'x'),
                          std::string(std::size_t{1} << 20, 'x')});
    REQUIRE(wait_until([&] { return recorder.messages().size() == 3; }));
    const auto messages = recorder.messages();
    CHECK(messages[0].payload.size() == payload_max_bytes);
    CHECK(messages[1].payload.size() == payload_max_bytes + 1);
    CHECK(messages[2].payload.size() == payload_max_bytes + 1);
}

TEST_CASE("a retained message is marked as such") {
    const MosquittoProcess broker;
    broker.publish("nodes/a", "kept", true);
    Recorder recorder;
    const auto link = start_link(settings_for(broker), recorder);
    REQUIRE(wait_until([&] { return !recorder.messages().empty(); }));
    CHECK(recorder.messages()[0].retained);
    link->stop(stop_wait);
}

TEST_CASE("the broker queues messages while the daemon is away, and the link is up before they arrive") {
    const MosquittoProcess broker;
    {
        Recorder before;
        const auto link = start_link(settings_for(broker), before);
        REQUIRE(wait_subscribed(*link));
        CHECK(before.events() == std::vector<std::string>{"up"});
        link->stop(stop_wait);
    }
    broker.publish_lines("nodes/a", numbers(1, 50));
    Recorder after;
    const auto link = start_link(settings_for(broker), after);
    REQUIRE(wait_until([&] { return after.messages().size() >= 50; }));
    link->stop(stop_wait);
    const auto events = after.events();
    REQUIRE(events.size() == 52);
    CHECK(events.front() == "up present");
    CHECK(events[1] == "message 1");
    CHECK(events.back() == "down");
}

TEST_CASE("a message that could not be kept is not acknowledged and is delivered again") {
    const MosquittoProcess broker;
    Recorder recorder;
    const auto link = start_link(settings_for(broker), recorder);
    REQUIRE(wait_subscribed(*link));
    broker.publish_lines("nodes/a", numbers(1, 10));
    REQUIRE(wait_until([&] { return recorder.messages().size() == 10; }));

    recorder.keeps_messages = false;
    broker.publish_lines("nodes/a", numbers(11, 30));
    REQUIRE(wait_until([&] { return recorder.refused() >= 2; }));  // Refused at least twice.
    CHECK(recorder.messages().size() == 10);
    REQUIRE(wait_until([&] { return !recorder.troubles().empty(); }));
    CHECK_THAT(recorder.troubles()[0],
               Catch::Contains("could not be kept") && Catch::Contains("trying again in"));

    recorder.keeps_messages = true;
    REQUIRE(wait_until([&] { return recorder.payloads().size() == 30; }));
    CHECK(recorder.count_of("up present") >= 2);
    // The refused message is delivered first, so the order is kept.
    CHECK(recorder.messages()[10].payload == "11");
    CHECK(wait_until([&] { return link->state().received == recorder.messages().size(); }));
    link->stop(stop_wait);
}

TEST_CASE("while the log refuses the link's changes, no message is fetched") {
    const MosquittoProcess broker;
    Recorder recorder;
    recorder.keeps_link_changes = false;
    const auto link = start_link(settings_for(broker), recorder);
    REQUIRE(wait_until([&] { return recorder.refused() >= 2; }));
    CHECK_FALSE(link->state().connected);
    recorder.keeps_link_changes = true;
    REQUIRE(wait_subscribed(*link));
    broker.publish("nodes/a", "1");
    REQUIRE(wait_until([&] { return recorder.messages().size() == 1; }));
    link->stop(stop_wait);
    CHECK(recorder.count_of("up present") + recorder.count_of("up") == 1);
}

TEST_CASE("an hour's backlog is delivered in full after a refusal in its middle") {
    const MosquittoProcess broker;
    {
        Recorder nobody;
        const auto link = start_link(settings_for(broker), nobody);
        REQUIRE(wait_subscribed(*link));
        link->stop(stop_wait);
    }
    broker.publish_lines("nodes/a", numbers(1, 2000));
    Recorder recorder;
    BrokerLink::Callbacks callbacks = recorder.callbacks();
    std::atomic<int> calls = 0;
    callbacks.on_message = [&, keep = callbacks.on_message](Message&& message) {
        return ++calls != 700 && keep(std::move(message));  // The 700th finds the disk full.
    };
    auto link = BrokerLink::start(settings_for(broker), {"nodes/#"}, callbacks);
    REQUIRE(link);
    REQUIRE(wait_until([&] { return recorder.payloads().size() == 2000; }));
    (*link)->stop(stop_wait);
}
