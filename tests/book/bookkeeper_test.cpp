// From messages to entries, rows, alarms and publications, over a real ledger file.
#include <set>

#include "ledger_world.hpp"
#include "store/database.hpp"

using namespace tickledger;
using namespace tickledger::test;

TEST_CASE("the entry, the rows of every step and the register get the same ticks") {
    LedgerWorld world;
    world.hear_count(at_min(600), 1000);
    world.hear_count(at_min(603), 1007);
    REQUIRE(world.entries().size() == 1);
    CHECK(world.entries()[0].ticks == 7);
    CHECK(world.row(Step::interval, at_min(600))->ticks == 7);
    CHECK(world.row(Step::hour, at_min(600))->ticks == 7);
    CHECK(world.row(Step::day, at_min(0))->ticks == 7);
    CHECK(world.row(Step::month, at_min(0))->ticks == 7);
    CHECK(world.row(Step::year, at_min(0) - std::chrono::hours{24 * 59})->ticks == 7);
    CHECK(world.published("meters/house/now").back()["register_m3"] == 0.007);
}

TEST_CASE("publications have exact decimals like the API's answers, not the nearest binary fractions") {
    MeterSettings meter = house();
    meter.register_start_l = {688166, 1000};  // As a double and in cubic metres: 0.6881660000000001.
    meter.pulse_value_l = {1, 10};
    LedgerWorld world({meter});
    world.hear_count(at_min(600), 1000);
    world.hear_count(at_min(616), 1003);
    const auto texts = [&](const std::string& topic) {
        std::string all;
        for (const Outgoing& outgoing : must(world.ledger->outbox(0, 100))) {
            if (outgoing.topic == topic) all += outgoing.payload;
        }
        return all;
    };
    CHECK(texts("meters/house/now").find("\"register_m3\":0.688466,\"today_l\":0.300}") != std::string::npos);
    CHECK(texts("meters/house/usage").find("\"ticks\":3,\"volume_l\":0.300,") != std::string::npos);
}

TEST_CASE("an unknown instruction is ignored, and the messages after it are booked") {
    LedgerWorld world;
    world.hear_count(at_min(600), 1000);
    for (const char* order : {R"({"do":"fly","meter":"house"})", R"({"do":7})", "{}"})
        world.take({{Instruction{at_min(601), order}}});
    world.hear_count(at_min(603), 1007);
    REQUIRE(world.entries().size() == 1);
    CHECK(world.entries()[0].ticks == 7);
}

TEST_CASE("a closed interval is published once, with revision 0") {
    LedgerWorld world;
    for (int minute = 600; minute <= 618; minute += 3)
        world.hear_count(at_min(minute), static_cast<std::uint64_t>(minute));
    const auto usage = world.published("meters/house/usage");
    REQUIRE(usage.size() == 1);
    CHECK(usage[0]["from"] == "2026-03-01T10:00:00+00:00");
    CHECK(usage[0]["ticks"] == 15);
    CHECK(usage[0]["covered_s"] == 900);
    CHECK(usage[0]["revision"] == 0);
    CHECK(usage[0]["mean_flow_l_per_h"] == 60.0);
}

TEST_CASE(
    "a late message divides an entry, raises the revision of the rows it changes and publishes them again") {
    LedgerWorld world;
    const auto timed = [](int minute, int count) {
        return "{\"count\":" + std::to_string(count) + ",\"time\":\"" + format_utc(at_min(minute)) + "\"}";
    };
    world.hear(at_min(600), timed(600, 0));
    world.hear(at_min(624), timed(624, 48));
    CHECK(world.row(Step::interval, at_min(600))->ticks == 30);
    world.hear(at_min(625), timed(615, 10));
    CHECK(world.entries().size() == 2);
    CHECK(world.row(Step::interval, at_min(600))->ticks == 10);
    CHECK(world.row(Step::interval, at_min(615))->ticks == 38);
    CHECK(world.row(Step::interval, at_min(600))->revision == 1);
    CHECK(world.row(Step::hour, at_min(600))->ticks == 48);
    CHECK(world.row(Step::hour, at_min(600))->revision == 0);
    const auto usage = world.published("meters/house/usage");
    REQUIRE(usage.size() == 2);
    CHECK(usage[1]["revision"] == 1);
    CHECK(usage[1]["ticks"] == 10);
}

TEST_CASE("a late backlog in order corrects each row once per batch") {
    LedgerWorld world;
    const auto timed = [](int minute) {
        return "{\"count\":" + std::to_string(minute) + ",\"time\":\"" + format_utc(at_min(minute)) + "\"}";
    };
    world.hear(at_min(0), timed(0));
    // The node is silent for ten hours, whose intervals the clock closes. Then all messages arrive at once.
    world.run_clock(at_min(601));
    REQUIRE(world.published("meters/house/usage").empty());
    std::vector<Delivery> backlog;
    for (int minute = 1; minute <= 600; ++minute) {
        Message message;
        message.arrived_at = at_min(601) + std::chrono::milliseconds{minute};
        message.topic = "nodes/house";
        message.payload = timed(minute);
        backlog.push_back({std::move(message)});
    }
    world.take(std::move(backlog));
    world.run_clock(at_min(603));
    REQUIRE(world.entries().size() == 600);
    // Each row is published once, with its final ticks.
    const auto usage = world.published("meters/house/usage");
    CHECK(usage.size() <= 40);
    std::set<std::string> told;
    for (const auto& row : usage) {
        CAPTURE(row.dump());
        CHECK(told.insert(row.at("from")).second);
        CHECK(row.at("ticks") == 15);
    }
}

TEST_CASE("the topic now is published at most every five seconds, and its last publication is right") {
    LedgerWorld world;
    const Instant begin = at_min(600);
    const auto hear = [&](int second) {
        Message message;
        message.arrived_at = begin + std::chrono::seconds{second};
        message.topic = "nodes/house";
        message.payload = "{\"count\":" + std::to_string(second / 4) +
                          ",\"boot\":1,\"seq\":" + std::to_string(second) + "}";
        world.take({{std::move(message)}});
    };
    const auto told = [&] {
        return world.published("meters/house/now").back().at("time").get<std::string>();
    };
    std::set<std::string> times;
    for (int second = 0; second <= 32; ++second) {
        hear(second);
        times.insert(told());
    }
    CHECK(times.size() == 7);
    CHECK(told() == "2026-03-01T10:00:30+00:00");
    // The waiting publication is sent when it is due, even if no message arrives.
    CHECK_FALSE(world.keeper->has_deadline_until(begin + std::chrono::seconds{34}));
    CHECK(world.keeper->has_deadline_until(begin + std::chrono::seconds{35}));
    world.run_clock(begin + std::chrono::seconds{35});
    CHECK(told() == "2026-03-01T10:00:32+00:00");

    // A kill in between loses nothing.
    hear(36);
    CHECK(told() == "2026-03-01T10:00:32+00:00");
    world.open();
    CHECK(world.keeper->has_deadline_until(begin + std::chrono::seconds{36}));
    world.run_clock(begin + std::chrono::seconds{37});
    CHECK(told() == "2026-03-01T10:00:36+00:00");
}

TEST_CASE("an interval without data is closed by the clock, is not published and has no row") {
    LedgerWorld world;
    world.hear_count(at_min(600), 0);
    world.hear_count(at_min(615), 5);
    world.run_clock(at_min(700));
    CHECK(world.published("meters/house/usage").size() == 1);
    CHECK_FALSE(world.row(Step::interval, at_min(630)));
    // A span that covers it afterwards is a late fact.
    world.hear_count(at_min(705), 20);
    CHECK(world.row(Step::interval, at_min(630))->revision == 1);
}

TEST_CASE("only the last closed day is published") {
    LedgerWorld world;
    world.hear_count(at_min(23 * 60), 0);
    world.hear_count(at_min(23 * 60 + 30), 5);
    world.hear_count(at_min(24 * 60 + 3), 5);
    const auto days = world.published("meters/house/day");
    REQUIRE(days.size() == 1);
    CHECK(days[0]["from"] == "2026-03-01T00:00:00+00:00");
    CHECK(days[0]["ticks"] == 5);
    CHECK(days[0]["covered_s"] == 3600);
}

TEST_CASE("an unreadable message is kept once, with its reason, and changes nothing") {
    LedgerWorld world;
    world.hear_count(at_min(600), 1000);
    world.hear(at_min(601), "{\"count\":-3}");
    world.hear(at_min(602), "{\"count\":-3}");
    CHECK(world.entries().empty());
    CHECK(world.keeper->counts().unreadable == 2);
    const auto refused = must(world.view()->refused(world.key("house"), {at_min(0), at_min(2000)}));
    REQUIRE(refused.size() == 1);
    CHECK(refused[0].reason == Refusal::unreadable);
    CHECK(refused[0].payload == "{\"count\":-3}");
}

TEST_CASE("a stray is kept with the message it came in") {
    LedgerWorld world;
    world.hear_count(at_min(600), 100);
    world.hear_count(at_min(603), 90'000);
    world.open();
    world.hear_count(at_min(606), 103);
    const auto refused = must(world.view()->refused(world.key("house"), {at_min(0), at_min(2000)}));
    REQUIRE(refused.size() == 1);
    CHECK(refused[0].reason == Refusal::stray);
    CHECK(refused[0].payload == "{\"count\":90000}");
    CHECK(world.entries().back().ticks == 3);
}

TEST_CASE("a meter of a pattern is opened by its first message") {
    MeterSettings flats = house();
    flats.id = "flat-{1}";
    flats.topic = "flats/+/water";
    LedgerWorld world({flats});
    world.hear(at_min(600), "{\"count\":1}", "flats/7/water");
    world.hear(at_min(603), "{\"count\":4}", "flats/7/water");
    world.hear(at_min(603), "{\"count\":4}", "flats/No good id/water");
    CHECK(world.entries("flat-7")[0].ticks == 3);
    CHECK(must(world.ledger->meters()).size() == 1);
    CHECK(world.keeper->counts().without_meter == 1);
    REQUIRE(world.keeper->unmatched());
    CHECK(world.keeper->unmatched()->topic == "flats/No good id/water");
    CHECK(world.keeper->unmatched()->arrived_at == at_min(603));
}

TEST_CASE("a message that books nothing is reported once, with its topic and the reason") {
    MeterSettings flats = house();
    flats.id = "flat-{1}";
    flats.topic = "flats/+/water";
    LedgerWorld world({house(), flats});
    world.hear(at_min(600), "oops");
    world.hear(at_min(600), "{\"count\":4}", "flats/No good id/water");
    for (int minute = 603; minute < 640; minute += 3)
        world.hear_count(at_min(minute), minute == 621 ? 90'000 : 100 + static_cast<unsigned>(minute));
    const auto odd = world.keeper->take_odd();
    REQUIRE(odd.size() == 3);
    CHECK(odd[0].kind == OddMessage::Kind::unreadable);
    CHECK(odd[0].meter == "house");
    CHECK(odd[0].topic == "nodes/house");
    CHECK_FALSE(odd[0].text.empty());
    CHECK(odd[1].kind == OddMessage::Kind::unmatched);
    CHECK(odd[1].topic == "flats/No good id/water");
    CHECK(odd[2].kind == OddMessage::Kind::stray);
    CHECK_THAT(odd[2].text, Catch::Contains("90000"));
    CHECK(world.keeper->take_odd().empty());
}

TEST_CASE("a silent node raises one alarm when it is due, and sending again for as long clears it") {
    LedgerWorld world;
    world.hear_count(at_min(600), 100);
    world.run_clock(at_min(614));
    CHECK(world.alarms().empty());
    world.run_clock(at_min(700));
    world.run_clock(at_min(800));
    REQUIRE(world.alarms().size() == 1);
    CHECK(world.alarms()[0].alarm.kind == AlarmKind::node_silent);
    CHECK(world.alarms()[0].alarm.raised_at == at_min(615));
    world.open();
    world.hear_count(at_min(801), 101);
    for (int minute = 804; minute <= 813; minute += 3)
        world.hear_count(at_min(minute), 101);
    REQUIRE(world.alarms().size() == 1);
    CHECK_FALSE(world.alarms()[0].alarm.cleared_at);
    world.open();
    world.hear_count(at_min(816), 101);
    CHECK(world.alarms()[0].alarm.cleared_at == at_min(816));
    CHECK(world.alarms()[0].alarm.state == AlarmState::returned_unacknowledged);
}

TEST_CASE("no node counts as silent while the link is down") {
    LedgerWorld world;
    world.hear_count(at_min(600), 100);
    world.take({{LinkChange{at_min(605), false, false}}});
    world.run_clock(at_min(900));
    CHECK(world.alarms().empty());
    world.take({{LinkChange{at_min(900), true, false}}});
    world.run_clock(at_min(914));
    CHECK(world.alarms().empty());
    world.run_clock(at_min(915));
    REQUIRE(world.alarms().size() == 1);
    CHECK(world.alarms()[0].alarm.raised_at == at_min(915));
}

TEST_CASE("publications of a failed transaction are heard once, when the batch is committed") {
    struct Listener : Audience {
        [[nodiscard]] bool listens() const override { return true; }
        void hear(const std::vector<MeterPublication>& published) override { heard += published.size(); }
        std::size_t heard = 0;
    } listener;
    LedgerWorld world;
    world.hear_count(at_min(600), 100);
    world.keeper->tell_to(&listener);
    Message message;
    message.arrived_at = at_min(603);
    message.topic = "nodes/house";
    message.payload = R"({"count":103})";
    const std::vector<Delivery> batch{{message}};
    {
        auto other = must(Database::open(world.file(), Database::Access::write));
        must(other->execute(
            "CREATE TRIGGER refuses BEFORE UPDATE ON meter BEGIN SELECT RAISE(ABORT, 'no'); END"));
        CHECK_FALSE(world.keeper->book({.deliveries = batch}));
        must(other->execute("DROP TRIGGER refuses"));
    }
    CHECK(listener.heard == 0);
    must(world.keeper->load());
    must(world.keeper->book({.deliveries = batch}));
    const std::size_t heard = listener.heard;
    CHECK(heard > 0);
    LedgerWorld undisturbed;
    undisturbed.hear_count(at_min(600), 100);
    Listener reference;
    undisturbed.keeper->tell_to(&reference);
    must(undisturbed.keeper->book({.deliveries = batch}));
    CHECK(heard == reference.heard);
}

TEST_CASE("the next batch published a correction of the batch that had failed") {
    LedgerWorld world;
    const auto timed = [](int minute, int count) {
        return "{\"count\":" + std::to_string(count) + ",\"time\":\"" + format_utc(at_min(minute)) + "\"}";
    };
    world.hear(at_min(600), timed(600, 0));
    world.hear(at_min(624), timed(624, 48));
    const auto message = [](int minute, std::string payload) {
        Message one;
        one.arrived_at = at_min(minute);
        one.topic = "nodes/house";
        one.payload = std::move(payload);
        return one;
    };
    const std::vector<Delivery> batch{{message(625, timed(615, 10))}, {message(626, "nonsense")}};
    {
        auto other = must(Database::open(world.file(), Database::Access::write));
        must(other->execute(
            "CREATE TRIGGER refuses BEFORE INSERT ON refused BEGIN SELECT RAISE(ABORT, 'no'); END"));
        CHECK_FALSE(world.keeper->book({.deliveries = batch}));
        must(other->execute("DROP TRIGGER refuses"));
    }
    must(world.keeper->load());
    REQUIRE(world.published("meters/house/usage").size() == 1);
    world.hear(at_min(627), timed(627, 50));
    CHECK(world.published("meters/house/usage").size() == 1);
    must(world.keeper->book({.deliveries = batch}));
    const auto usage = world.published("meters/house/usage");
    REQUIRE(usage.size() == 2);
    CHECK(usage[1]["ticks"] == 10);
}

TEST_CASE("a SenML pack repeated at once is a repetition, and repeated later it says that nothing ran") {
    MeterSettings meter = house();
    meter.message = MessageForm::senml;
    LedgerWorld world({meter});
    const std::string pack = R"([{"n":"water","u":"count","v":100}])";
    world.hear(at_min(600), pack);
    world.hear(at_min(601), pack);
    CHECK(world.entries().empty());
    world.hear(at_min(603), pack);
    REQUIRE(world.entries().size() == 1);
    CHECK(world.entries()[0].ticks == 0);
}

TEST_CASE("the parts of an id before and after its variable part do not overlap") {
    MeterSettings settings;
    settings.id = "ab{1}ba";
    settings.topic = "nodes/+/water";
    const std::vector<MeterSettings> meters{settings};
    CHECK(settings_for(meters, "ab7ba") == &meters[0]);
    CHECK(settings_for(meters, "aba") == nullptr);
    CHECK(settings_for(meters, "abba") == nullptr);
}

TEST_CASE("a damaged fact of the ledger is reported and does not end the program") {
    LedgerWorld world;
    world.hear_count(at_min(600), 100);
    must(world.ledger->begin());
    must(world.ledger->set_fact("settled_until", "yesterday"));
    must(world.ledger->set_fact("messages", R"({"booked":"many","stray":-1.5})"));
    must(world.ledger->commit());
    Bookkeeper keeper(world.meters, world.zone, *world.ledger, Publishing::everything, max_meters);
    const auto loaded = keeper.load();
    REQUIRE_FALSE(loaded);
    CHECK_THAT(loaded.error().text, Catch::Matchers::Contains("settled_until"));
    must(world.ledger->begin());
    must(world.ledger->set_fact("settled_until", "1772323200000000"));
    must(world.ledger->commit());
    must(keeper.load());
    CHECK(keeper.counts().booked == 0);
}
