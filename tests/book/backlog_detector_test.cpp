// Which messages waited at the broker, and how messages that arrived before the clock was set are dated.
#include "book/backlog_detector.hpp"

#include <catch2/catch.hpp>

#include "ledger_world.hpp"

using namespace tickledger;
using namespace tickledger::test;
using std::chrono::hours;
using std::chrono::milliseconds;
using std::chrono::minutes;
using std::chrono::seconds;

namespace {

Message message_at(Instant at, const std::string& topic = "a") {
    Message message;
    message.arrived_at = at;
    message.topic = topic;
    return message;
}

LinkChange up(Instant at, bool session_present = true) {
    return {at, true, session_present};
}

const Instant noon = at_min(12 * 60);

std::vector<int> behind(const BacklogDetector::Ready& ready) {
    std::vector<int> places;
    for (const Delivery& delivery : ready.deliveries) {
        if (std::holds_alternative<Message>(delivery.event)) places.push_back(delivery.behind);
    }
    return places;
}

}  // namespace

TEST_CASE("a message outside a backlog is handed on at once") {
    BacklogDetector feed;
    feed.add(message_at(noon), {"day", 10});
    const auto ready = feed.take();
    REQUIRE(ready.deliveries.size() == 1);
    CHECK_FALSE(ready.deliveries[0].waited);
    CHECK(ready.next == LogPosition{"day", 10});
}

TEST_CASE("a redelivered message and a retained copy always count as having waited") {
    BacklogDetector feed;
    Message again = message_at(noon);
    again.redelivered = true;
    feed.add(again, {});
    Message copy = message_at(noon);
    copy.retained = true;
    feed.add(copy, {});
    for (const Delivery& delivery : feed.take().deliveries)
        CHECK(delivery.waited);
}

TEST_CASE("a backlog is handed on as a whole, each message with its distance from the last of its topic") {
    BacklogDetector feed;
    feed.add(message_at(noon), {"day", 1});
    feed.add(up(noon + seconds{1}), {"day", 2});
    for (int i = 0; i < 3; ++i)
        feed.add(message_at(noon + seconds{1} + milliseconds{i}, "a"), {"day", 3});
    feed.add(message_at(noon + seconds{1} + milliseconds{5}, "b"), {"day", 7});
    CHECK(feed.holds_back());
    const auto before = feed.take();
    CHECK(before.deliveries.size() == 1);
    CHECK(before.next == LogPosition{"day", 1});

    feed.pause(noon + seconds{1} + milliseconds{900});
    CHECK(feed.holds_back());
    feed.pause(noon + seconds{3});
    CHECK_FALSE(feed.holds_back());
    const auto drained = feed.take();
    CHECK(behind(drained) == std::vector<int>{2, 1, 0, 0});
    CHECK(drained.next == LogPosition{"day", 7});
    for (const Delivery& delivery : drained.deliveries) {
        if (std::holds_alternative<Message>(delivery.event)) CHECK(delivery.waited);
    }
}

TEST_CASE("an instruction within a backlog keeps its place") {
    BacklogDetector feed;
    feed.add(up(noon), {});
    feed.add(message_at(noon + milliseconds{1}), {});
    feed.add(Instruction{noon + milliseconds{2}, "{}"}, {});
    feed.add(message_at(noon + milliseconds{3}), {});
    CHECK(feed.take().deliveries.empty());
    feed.finish();
    const auto drained = feed.take();
    REQUIRE(drained.deliveries.size() == 4);
    CHECK(std::holds_alternative<Instruction>(drained.deliveries[2].event));
    CHECK(behind(drained) == std::vector<int>{1, 0});
}

TEST_CASE("a backlog that never pauses ends after half a minute") {
    BacklogDetector feed;
    feed.add(up(noon), {});
    for (int i = 1; i <= 70; ++i)
        feed.add(message_at(noon + milliseconds{500 * i}), {});
    const auto ready = feed.take();
    CHECK(ready.deliveries.size() == 71);
    CHECK(ready.deliveries[59].waited);
    CHECK_FALSE(ready.deliveries[60].waited);
}

TEST_CASE("without a kept session no message counts as having waited") {
    BacklogDetector feed;
    feed.add(up(noon, false), {});
    feed.add(message_at(noon + milliseconds{5}), {});
    const auto ready = feed.take();
    REQUIRE(ready.deliveries.size() == 2);
    CHECK_FALSE(ready.deliveries[1].waited);
}

TEST_CASE("messages that arrived before the clock was set are dated once it is set") {
    BacklogDetector feed;
    feed.add(Unclocked{message_at(noon), seconds{10}}, {"day", 1});
    feed.add(Unclocked{message_at(noon), seconds{190}}, {"day", 2});
    CHECK(feed.holds_back());
    CHECK(feed.undated_count() == 2);
    CHECK(feed.take().deliveries.empty());
    feed.add(ClockSet{noon + hours{5}, seconds{200}}, {"day", 3});
    const auto ready = feed.take();
    REQUIRE(ready.deliveries.size() == 2);
    CHECK(time_of(ready.deliveries[0].event) == noon + hours{5} - seconds{190});
    CHECK(time_of(ready.deliveries[1].event) == noon + hours{5} - seconds{10});
}

TEST_CASE("messages that waited for the clock were dated before earlier stamps that were ahead") {
    BacklogDetector feed;
    feed.add(message_at(noon), {});
    // Stamps stand still while the daemon is off; the machine's running time does not.
    feed.add(Unclocked{message_at(noon), seconds{10}}, {});
    feed.add(Unclocked{message_at(noon), seconds{190}}, {});
    feed.add(ClockSet{noon + seconds{100}, seconds{200}}, {});
    const auto ready = feed.take();
    REQUIRE(ready.deliveries.size() == 3);
    CHECK(time_of(ready.deliveries[1].event) == noon);
    CHECK(time_of(ready.deliveries[2].event) == noon + seconds{90});
}

TEST_CASE("messages that arrived at the same moment before the clock was set are all dated by it") {
    BacklogDetector feed;
    feed.add(Unclocked{message_at(noon), seconds{5}}, {});
    feed.add(Unclocked{message_at(noon), seconds{10}}, {});
    feed.add(Unclocked{message_at(noon), seconds{10}}, {});
    feed.add(ClockSet{noon + hours{5}, seconds{10}}, {});
    const auto ready = feed.take();
    REQUIRE(ready.deliveries.size() == 3);
    CHECK(time_of(ready.deliveries[0].event) == noon + hours{5} - seconds{5});
    CHECK(time_of(ready.deliveries[1].event) == noon + hours{5});
    CHECK(time_of(ready.deliveries[2].event) == noon + hours{5});
}

TEST_CASE("the line that set the clock counted as unread until another message arrived") {
    BacklogDetector feed;
    feed.add(Unclocked{message_at(noon), seconds{10}}, {"day", 1});
    feed.add(ClockSet{noon + hours{5}, seconds{200}}, {"day", 2});
    const auto ready = feed.take();
    CHECK(ready.deliveries.size() == 1);
    CHECK(ready.next == LogPosition{"day", 2});
}

TEST_CASE("a clock line that dates nothing counted as unread until another message arrived") {
    BacklogDetector feed;
    feed.add(ClockSet{noon, seconds{200}}, {"day", 1});
    const auto ready = feed.take();
    CHECK(ready.deliveries.size() == 1);
    CHECK(ready.next == LogPosition{"day", 1});
}

TEST_CASE("messages from before a reboot of the machine are dated no later than the first one after it") {
    BacklogDetector feed;
    feed.add(Unclocked{message_at(noon), seconds{5000}}, {});
    feed.add(Unclocked{message_at(noon), seconds{10}}, {});
    feed.add(ClockSet{noon + hours{5}, seconds{30}}, {});
    const auto ready = feed.take();
    REQUIRE(ready.deliveries.size() == 2);
    CHECK(time_of(ready.deliveries[0].event) == noon + hours{5} - seconds{20});
    CHECK(time_of(ready.deliveries[1].event) == noon + hours{5} - seconds{20});
}

TEST_CASE("a recording that ends before the clock is set books nothing under a false time") {
    BacklogDetector feed;
    feed.add(Unclocked{message_at(noon), seconds{10}}, {});
    feed.finish();
    CHECK(feed.take().deliveries.empty());
    CHECK(feed.undated_count() == 1);
}
