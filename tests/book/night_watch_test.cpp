// night-flow: the night window is 01:00 to 05:00, and a still stretch of 30 minutes rules out a leak.
#include "ledger_world.hpp"

using namespace tickledger;
using namespace tickledger::test;

namespace {

/// Messages every three minutes from `from_min` to `to_min`; `ticks(minute)` new ticks each.
template <typename Ticks>
void live(LedgerWorld& world, int from_min, int to_min, std::uint64_t& count, Ticks ticks) {
    for (int minute = from_min; minute <= to_min; minute += 3) {
        count += static_cast<std::uint64_t>(ticks(minute));
        world.hear_count(at_min(minute), count);
    }
}

std::vector<Alarm> night_alarms(LedgerWorld& world) {
    std::vector<Alarm> found;
    for (const auto& record : world.alarms()) {
        if (record.alarm.kind == AlarmKind::night_flow) found.push_back(record.alarm);
    }
    return found;
}

const auto never = [](int) { return 0; };
/// A leak of one tick in 27 minutes, a little over 2 L/h: no stretch of 30 minutes is still.
const auto leak = [](int minute) { return minute % 27 == 0 ? 1 : 0; };

}  // namespace

TEST_CASE("a night without a still stretch raises the alarm at its end, with the estimated litres a day") {
    LedgerWorld world;
    std::uint64_t count = 0;
    live(world, 0, 303, count, leak);
    REQUIRE(world.alarms().size() == 1);
    const Alarm alarm = world.alarms()[0].alarm;
    CHECK(alarm.kind == AlarmKind::night_flow);
    CHECK(alarm.raised_at == at_min(300));
    CHECK(alarm.state == AlarmState::unacknowledged);
    const auto evidence = nlohmann::json::parse(alarm.evidence);
    CHECK(evidence["estimated_l_per_day"] == 48.0);
    CHECK(world.published("meters/house/alarms/night-flow").size() == 1);
}

TEST_CASE("the quietest hour of a night may be its first, or its last") {
    const auto evidence_of = [](int loud_from, int loud_to) {
        LedgerWorld world;
        std::uint64_t count = 0;
        live(world, 0, 303, count, [&](int minute) {
            return (minute > loud_from && minute <= loud_to) || minute % 27 == 0 ? 1 : 0;
        });
        REQUIRE(world.alarms().size() == 1);
        return nlohmann::json::parse(world.alarms()[0].alarm.evidence);
    };
    const auto first = evidence_of(120, 300);
    CHECK(first["quietest_ticks"] == 2);
    CHECK(first["quietest_from"] == first["night_from"]);
    const auto last = evidence_of(60, 240);
    CHECK(last["quietest_ticks"] == 3);
    CHECK(last["quietest_to"] == last["night_to"]);
}

TEST_CASE("one still stretch in the night is enough to raise no alarm") {
    LedgerWorld world;
    std::uint64_t count = 0;
    live(world, 0, 303, count, [](int minute) { return minute > 100 && minute < 135 ? 0 : 1; });
    CHECK(world.alarms().empty());
    CHECK(world.undecided().empty());
}

TEST_CASE("the alarm clears at the first still stretch after it, and a leak that goes on stays one alarm") {
    LedgerWorld world;
    std::uint64_t count = 0;
    live(world, 0, 24 * 60 + 303, count, leak);
    REQUIRE(world.alarms().size() == 1);
    CHECK_FALSE(world.alarms()[0].alarm.cleared_at);
    live(world, 24 * 60 + 306, 24 * 60 + 360, count, never);
    REQUIRE(world.alarms().size() == 1);
    REQUIRE(world.alarms()[0].alarm.cleared_at);
    // The last tick of the leak was seen in minute 1728; the still stretch began with the span after it.
    CHECK(*world.alarms()[0].alarm.cleared_at == at_min(1728 + 30));
}

TEST_CASE("a gap that could have held a still stretch leaves the night undecided") {
    LedgerWorld world;
    std::uint64_t count = 0;
    live(world, 0, 150, count, leak);
    live(world, 189, 303, count, leak);
    CHECK(night_alarms(world).empty());
    REQUIRE(world.undecided().size() == 1);
    CHECK(world.undecided()[0].window == Span{at_min(60), at_min(300)});
}

TEST_CASE("a gap too short to hold a still stretch does not matter") {
    LedgerWorld world;
    std::uint64_t count = 0;
    const auto every_span = [](int) { return 1; };
    live(world, 0, 150, count, every_span);
    live(world, 171, 303, count, every_span);
    CHECK(night_alarms(world).size() == 1);
    CHECK(world.undecided().empty());
}

TEST_CASE("a night in which the node falls silent is undecided once the clock has passed it") {
    LedgerWorld world;
    std::uint64_t count = 0;
    live(world, 0, 150, count, leak);
    world.run_clock(at_min(316));
    REQUIRE(world.undecided().size() == 1);
    CHECK(night_alarms(world).empty());
}

TEST_CASE("a restart in the night does not count as a still stretch") {
    LedgerWorld world;
    std::uint64_t count = 0;
    for (int minute = 0; minute <= 303; minute += 3) {
        count += static_cast<std::uint64_t>(minute % 27 == 0 ? 1 : 0);
        const int boot = minute < 150 ? 1 : 2;
        world.hear(at_min(minute), "{\"count\":" + std::to_string(count) + ",\"boot\":" +
                                       std::to_string(boot) + ",\"seq\":" + std::to_string(minute / 3) + "}");
    }
    // The restart's three minutes are between still stretches of 12 and 9 minutes: 24 together, not 30.
    REQUIRE(world.alarms().size() == 1);
}

TEST_CASE("restarts of the daemon in the night do not change how it is judged") {
    LedgerWorld world;
    std::uint64_t count = 0;
    for (int minute = 0; minute <= 303; minute += 3) {
        count += static_cast<std::uint64_t>(leak(minute));
        world.open();
        world.hear_count(at_min(minute), count);
    }
    REQUIRE(world.alarms().size() == 1);
    CHECK(world.alarms()[0].alarm.raised_at == at_min(300));
}

namespace {

/// A reading with its own time, as the node sends it after a silence.
void tell_with_time(LedgerWorld& world, Instant arrived_at, Instant time, std::uint64_t count) {
    world.hear(arrived_at, "{\"count\":" + std::to_string(count) +
                               ",\"time\":" + std::to_string(microseconds_of(time) / 1'000'000) + "}");
}

/// A recording of eleven lines: one message at midnight, the others at 05:30, one for each half hour.
void eleven_lines(LedgerWorld& world) {
    tell_with_time(world, at_min(0), at_min(0), 100);
    for (int i = 1; i <= 10; ++i)
        tell_with_time(world, at_min(330) + std::chrono::seconds{i}, at_min(30 * i),
                       100 + static_cast<std::uint64_t>(2 * i));
}

}  // namespace

TEST_CASE("a night whose readings arrived after the clock had passed it stayed undecided for ever") {
    LedgerWorld world;
    eleven_lines(world);
    const auto alarms = night_alarms(world);
    REQUIRE(alarms.size() == 1);
    CHECK(alarms[0].raised_at == at_min(300));
    CHECK(alarms[0].is_active());
    CHECK(nlohmann::json::parse(alarms[0].evidence)["told_late"] == true);
    CHECK_THAT(alarms[0].text, Catch::Contains("arrived long after its end"));
    CHECK(world.undecided().empty());
}

TEST_CASE("a night is undecided until its readings arrive, and restarts of the daemon change nothing") {
    LedgerWorld world;
    tell_with_time(world, at_min(0), at_min(0), 100);
    world.run_clock(at_min(314));
    CHECK(world.undecided().empty());
    world.run_clock(at_min(315));
    REQUIRE(world.undecided().size() == 1);
    CHECK(world.undecided()[0].window == Span{at_min(60), at_min(300)});
    for (int i = 1; i <= 10; ++i) {
        world.open();
        tell_with_time(world, at_min(330) + std::chrono::seconds{i}, at_min(30 * i),
                       100 + static_cast<std::uint64_t>(2 * i));
    }
    REQUIRE(night_alarms(world).size() == 1);
    CHECK(world.undecided().empty());
    LedgerWorld uninterrupted;
    eleven_lines(uninterrupted);
    CHECK(night_alarms(world)[0].text == night_alarms(uninterrupted)[0].text);
    CHECK(night_alarms(world)[0].evidence == night_alarms(uninterrupted)[0].evidence);
}

TEST_CASE("a night that late readings show to be still is decided and raises no alarm") {
    LedgerWorld world;
    tell_with_time(world, at_min(0), at_min(0), 100);
    world.run_clock(at_min(320));
    REQUIRE(world.undecided().size() == 1);
    // One still half hour decides the night before the readings of its end arrive.
    tell_with_time(world, at_min(330), at_min(90), 101);
    CHECK(world.undecided().size() == 1);
    tell_with_time(world, at_min(331), at_min(120), 101);
    CHECK(world.undecided().empty());
    for (int i = 5; i <= 12; ++i)
        tell_with_time(world, at_min(370) + std::chrono::seconds{i}, at_min(30 * i),
                       100 + static_cast<std::uint64_t>(2 * i));
    CHECK(night_alarms(world).empty());
    CHECK(world.undecided().empty());
}

TEST_CASE("a leak that late readings show is cleared at once if the water has stood still since") {
    LedgerWorld world;
    tell_with_time(world, at_min(0), at_min(0), 100);
    // An outage over the night's end: one reading seven hours later cannot decide the night.
    tell_with_time(world, at_min(420), at_min(420), 120);
    for (int minute = 423; minute <= 480; minute += 3)
        tell_with_time(world, at_min(minute), at_min(minute), minute < 480 ? 120 : 121);
    REQUIRE(world.undecided().size() == 1);
    CHECK(night_alarms(world).empty());
    // The node sends its backlog, oldest first. Spans are divided, and the night is decided again.
    for (int i = 1; i <= 10; ++i)
        tell_with_time(world, at_min(481) + std::chrono::seconds{i}, at_min(30 * i),
                       100 + static_cast<std::uint64_t>(2 * i));
    const auto alarms = night_alarms(world);
    REQUIRE(alarms.size() == 1);
    CHECK(alarms[0].raised_at == at_min(300));
    // No water ran after the last of them.
    CHECK(alarms[0].cleared_at == at_min(330));
    CHECK(alarms[0].state == AlarmState::returned_unacknowledged);
    CHECK(nlohmann::json::parse(alarms[0].evidence)["told_late"] == true);
    CHECK(world.undecided().empty());
}

TEST_CASE("a late reading that shows the night to have been still clears its alarm") {
    LedgerWorld world;
    std::uint64_t count = 100;
    // Messages every 20 to 24 minutes, with a tick in all but one: no stretch of half an hour was seen still.
    const auto told = [&](int minute, std::uint64_t ticks) {
        count += ticks;
        tell_with_time(world, at_min(minute), at_min(minute), count);
    };
    for (int minute = 0; minute <= 120; minute += 24)
        told(minute, 1);
    told(140, 0);
    told(160, 1);
    for (int minute = 184; minute <= 304; minute += 24)
        told(minute, 1);
    REQUIRE(night_alarms(world).size() == 1);
    CHECK(night_alarms(world)[0].is_active());
    // The tick of the twenty minutes to 02:40 ran in the last five of them, so 35 minutes were still.
    tell_with_time(world, at_min(310), at_min(155), count - 6 - 1);
    REQUIRE(night_alarms(world).size() == 1);
    CHECK_FALSE(night_alarms(world)[0].is_active());
}

TEST_CASE("the nights of a silence of ten years are one row, and the clock passes them in one step") {
    constexpr int years_min = 10 * 365 * 24 * 60;
    LedgerWorld world;
    std::uint64_t count = 100;
    live(world, 0, 150, count, leak);
    const auto before = world.keeper->deadlines_met();
    world.run_clock(at_min(2 * 24 * 60));
    const auto of_two_days = world.keeper->deadlines_met() - before;
    REQUIRE(world.undecided().size() == 1);
    CHECK(world.undecided()[0].window == Span{at_min(60), at_min(24 * 60 + 300)});

    const auto since = world.keeper->deadlines_met();
    world.run_clock(at_min(years_min));
    CHECK(world.keeper->deadlines_met() - since <= of_two_days);
    REQUIRE(world.undecided().size() == 1);
    CHECK(world.undecided()[0].window == Span{at_min(60), at_min(years_min - 24 * 60 + 300)});
    CHECK_THAT(world.undecided()[0].text,
               Catch::Contains("on the nights between 2026-03-01 01:00 and 2036-02-26 05:00."));
    for (const Step step : {Step::interval, Step::hour, Step::day})
        CHECK_FALSE(world.row(step, at_min(10 * 24 * 60)));

    // The same, with the clock run every hour for ten days.
    LedgerWorld hourly;
    count = 100;
    live(hourly, 0, 150, count, leak);
    for (int minute = 150; minute <= 10 * 24 * 60; minute += 60)
        hourly.run_clock(at_min(minute));
    LedgerWorld at_once;
    count = 100;
    live(at_once, 0, 150, count, leak);
    at_once.run_clock(at_min(10 * 24 * 60 - 30));
    REQUIRE(hourly.undecided().size() == 1);
    CHECK(hourly.undecided()[0].window == at_once.undecided()[0].window);
    CHECK(hourly.undecided()[0].text == at_once.undecided()[0].text);
    CHECK(must(hourly.ledger->meters())[0].state == must(at_once.ledger->meters())[0].state);
}

TEST_CASE("a night decided within a silence divides its row in two, and the other nights stay undecided") {
    LedgerWorld world;
    tell_with_time(world, at_min(0), at_min(0), 100);
    world.run_clock(at_min(4 * 24 * 60 + 330));
    REQUIRE(world.undecided().size() == 1);
    const Instant arrived_at = at_min(4 * 24 * 60 + 331);
    // The second night has a reading every half hour, the others one long span with ticks.
    const int second = 24 * 60;
    tell_with_time(world, arrived_at, at_min(second), 130);
    for (int i = 1; i <= 10; ++i)
        tell_with_time(world, arrived_at, at_min(second + 30 * i), 130 + static_cast<std::uint64_t>(2 * i));
    tell_with_time(world, arrived_at, at_min(4 * 24 * 60 + 331), 300);
    const auto rows = world.undecided();  // The newest first.
    REQUIRE(rows.size() == 2);
    CHECK(rows[0].window == Span{at_min(2 * 24 * 60 + 60), at_min(4 * 24 * 60 + 300)});
    CHECK(rows[1].window == Span{at_min(60), at_min(300)});
    REQUIRE(night_alarms(world).size() == 1);
    CHECK(night_alarms(world)[0].raised_at == at_min(second + 300));
}

TEST_CASE("night-flow that was switched off while a night was watched went on judging it for ever") {
    LedgerWorld world;
    std::uint64_t count = 0;
    live(world, 0, 150, count, leak);
    world.meters[0].alarms.off = {AlarmKind::night_flow};
    world.open();
    live(world, 153, 2 * 24 * 60, count, leak);
    CHECK(night_alarms(world).empty());
    // Switched on again, it starts with the next night.
    world.meters[0].alarms.off = {};
    world.open();
    live(world, 2 * 24 * 60 + 3, 2 * 24 * 60 + 303, count, leak);
    CHECK(night_alarms(world).size() == 1);
}
