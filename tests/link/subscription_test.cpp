// What the link knows of its subscriptions while it asks for them.
#include <catch2/catch.hpp>

#include "recorder.hpp"
#include "scripted_broker.hpp"

using namespace tickledger;
using namespace tickledger::test;

namespace {

const std::string granted(1, '\x01');
const std::string granted_without_acknowledgement(1, '\0');
const std::string refused(1, '\x80');

BrokerSettings settings_of(const ScriptedBroker& broker) {
    BrokerSettings settings;
    settings.url = broker.url();
    return settings;
}

/// Returns once the link has handled everything that the broker sent before.
void let_it_handle(ScriptedBroker& broker, const Recorder& recorder) {
    const auto before = recorder.messages().size();
    broker.publish("nodes/a", "1");
    REQUIRE(wait_until([&] { return recorder.messages().size() > before; }));
}

}  // namespace

TEST_CASE("a granted subscription does not hide one that was refused just before") {
    ScriptedBroker broker;
    Recorder recorder;
    const auto link = start_link(settings_of(broker), recorder, {"first"});
    const auto first = broker.subscription(0);
    link->subscribe_to({"first", "second"});
    const auto second = broker.subscription(1);
    REQUIRE(second.filters == std::vector<std::string>{"second"});
    broker.answer(first, refused);
    broker.answer(second, granted);
    let_it_handle(broker, recorder);
    CHECK_FALSE(link->state().subscribed);
    CHECK_THAT(link->state().trouble, Catch::Contains("refuses the subscription to `first`"));
    CHECK(broker.payloads().empty());
    // Without the refused one all are granted.
    link->subscribe_to({"second"});
    CHECK(wait_until([&] { return !broker.payloads().empty(); }));
    CHECK(link->state().subscribed);
    CHECK(link->state().trouble.empty());
}

TEST_CASE("a subscription granted without acknowledgement stays reported when others are granted") {
    ScriptedBroker broker;
    Recorder recorder;
    const auto link = start_link(settings_of(broker), recorder, {"first"});
    broker.answer(broker.subscription(0), granted_without_acknowledgement);
    REQUIRE(wait_subscribed(*link));
    link->subscribe_to({"first", "second"});
    broker.answer(broker.subscription(1), granted);
    let_it_handle(broker, recorder);
    CHECK(link->state().subscribed);
    CHECK_THAT(link->state().trouble, Catch::Contains("`first` only without acknowledgement"));
    CHECK(recorder.troubles().size() == 1);
}

TEST_CASE("topics whose subscription the client library did not send are subscribed to later") {
    const MosquittoProcess broker;
    Recorder recorder;
    // The library refuses a text that is not UTF-8, and everything that is asked with it.
    const auto link = start_link(settings_for(broker), recorder, {"nodes/#", "\xff"});
    REQUIRE(wait_until([&] { return !recorder.troubles().empty(); }));
    CHECK_FALSE(link->state().subscribed);
    link->subscribe_to({"nodes/#", "others/#"});
    REQUIRE(wait_subscribed(*link));
    broker.publish("nodes/a", "1");
    CHECK(wait_until([&] { return recorder.messages().size() == 1; }));
    link->stop(stop_wait);
}
