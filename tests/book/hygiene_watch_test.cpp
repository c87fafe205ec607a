// backflow and stagnation, from entries.
#include "book/hygiene_watch.hpp"

#include "ledger_world.hpp"

using namespace tickledger;
using namespace tickledger::test;

namespace {

using std::chrono::hours;
using std::chrono::minutes;

/// A meter whose entries are given one by one, without gaps.
struct Home {
    explicit Home(MeterSettings meter) : world({std::move(meter)}) {
        must(world.ledger->begin());
        account.memory().closed_until = at_min(0);
    }

    void run(Duration length, std::int64_t ticks, EntryKind kind = EntryKind::measured) {
        Entry entry;
        entry.span = {now, now + length};
        entry.ticks = ticks;
        entry.kind = kind;
        watch.follow(account, entry);
        now += length;
    }
    /// The last alarm of this kind.
    [[nodiscard]] std::optional<Alarm> alarm(AlarmKind kind) {
        return must(world.ledger->last_alarm(account.key, kind));
    }

    LedgerWorld world;
    Outbox outbox{*world.ledger, Publishing::everything};
    AlarmDesk desk{world.zone, *world.ledger, outbox};
    HygieneWatch watch{world.zone, desk};
    MeterRules rules{world.meters[0], world.zone};
    Account account{world.key("house"), "house", rules};
    Instant now = at_min(0);
};

MeterSettings watched_for_stagnation() {
    MeterSettings meter = house();
    meter.alarms.on = {AlarmKind::stagnation};
    return meter;
}

}  // namespace

TEST_CASE("more than two pulse values that ran back within a day raise backflow, two do not") {
    Home home(house());
    home.run(minutes{3}, -1, EntryKind::reverse);
    home.run(hours{20}, 5);
    home.run(minutes{3}, -1, EntryKind::reverse);
    CHECK_FALSE(home.alarm(AlarmKind::backflow));
    // A third one, a day after the first: only two of the three are within any 24 hours.
    home.run(hours{4}, 5);
    home.run(minutes{3}, -1, EntryKind::reverse);
    CHECK_FALSE(home.alarm(AlarmKind::backflow));
    home.run(minutes{3}, -1, EntryKind::reverse);
    const auto alarm = home.alarm(AlarmKind::backflow);
    REQUIRE(alarm);
    CHECK(alarm->raised_at == home.now);
    const auto evidence = nlohmann::json::parse(alarm->evidence);
    CHECK(evidence["ticks_back"] == 3);
    CHECK(evidence["volume_back_l"] == 3.0);
    CHECK_THAT(alarm->text, Catch::Contains("drinking water may be at risk") &&
                                Catch::Contains("licensed plumber") && Catch::Contains("EN 1717"));
    // It is over once a day has been measured without backflow.
    home.run(hours{23}, 0);
    CHECK(home.alarm(AlarmKind::backflow)->is_active());
    home.run(hours{1}, 0);
    CHECK(home.alarm(AlarmKind::backflow)->cleared_at == home.now);
}

TEST_CASE("one fall of three litres is backflow at once, and any number of falls is one alarm") {
    Home home(house());
    for (int time = 0; time < 100; ++time) {
        home.run(minutes{3}, -3, EntryKind::reverse);
        home.run(minutes{3}, 3);
        REQUIRE(home.alarm(AlarmKind::backflow));
        CHECK(home.alarm(AlarmKind::backflow)->id == 1);
    }
    CHECK(home.alarm(AlarmKind::backflow)->raised_at == at_min(3));
}

TEST_CASE("ticks that a reading by eye takes away are not backflow") {
    Home home(house());
    home.run(hours{1}, -50, EntryKind::adjustment);
    CHECK_FALSE(home.alarm(AlarmKind::backflow));
}

TEST_CASE("three days without a draw raise stagnation with the time of the last draw, if it is switched on") {
    Home home(watched_for_stagnation());
    home.run(hours{1}, 7);
    home.run(hours{71}, 0);
    CHECK_FALSE(home.alarm(AlarmKind::stagnation));
    home.run(hours{2}, 0);
    const auto alarm = home.alarm(AlarmKind::stagnation);
    REQUIRE(alarm);
    CHECK(alarm->raised_at == at_min(60) + hours{72});
    CHECK(nlohmann::json::parse(alarm->evidence)["last_drawn_to"] == "2026-03-01T01:00:00+00:00");
    CHECK_THAT(alarm->text, Catch::Contains("per meter, not per tap") && Catch::Contains("local rules"));
    home.run(minutes{3}, 1);
    CHECK(home.alarm(AlarmKind::stagnation)->cleared_at == home.now);
    Home unasked(house());
    unasked.run(hours{200}, 0);
    CHECK_FALSE(unasked.alarm(AlarmKind::stagnation));
}

TEST_CASE("time in which water may have been drawn unseen raises no stagnation and clears none") {
    const auto kind = GENERATE(EntryKind::restart, EntryKind::preset, EntryKind::lost, EntryKind::reverse);
    CAPTURE(name_of(kind));
    Home home(watched_for_stagnation());
    home.run(hours{1}, 7);
    home.run(hours{70}, 0);
    home.run(hours{1}, kind == EntryKind::reverse ? -1 : 0, kind);
    home.run(hours{71}, 0);
    CHECK_FALSE(home.alarm(AlarmKind::stagnation));
    home.run(hours{1}, 0);
    REQUIRE(home.alarm(AlarmKind::stagnation));
    CHECK(nlohmann::json::parse(home.alarm(AlarmKind::stagnation)->evidence)["last_drawn_to"].is_null());
    home.run(hours{1}, kind == EntryKind::reverse ? -1 : 0, kind);
    CHECK(home.alarm(AlarmKind::stagnation)->is_active());
}
