// night-flow: the night window is 01:00 to 05:00, a still stretch of 30 minutes clears the house of
// suspicion.
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
/// A leak of 2 L/h more than one tick in 27 minutes: no stretch of 30 minutes is still.
const auto leak = [](int minute) { return minute % 27 == 0 ? 1 : 0; };

}  // namespace

TEST_CASE("a night without a still stretch raises the alarm at its end, with the litres it costs") {
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

TEST_CASE("one still stretch in the night is enough") {
    LedgerWorld world;
    std::uint64_t count = 0;
    live(world, 0, 303, count, [](int minute) { return minute > 100 && minute < 135 ? 0 : 1; });
    CHECK(world.alarms().empty());
    CHECK(world.undecided().empty());
}

TEST_CASE("the alarm clears with the first still stretch after it, and a leak that goes on stays one alarm") {
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

TEST_CASE("a gap that could have held a still stretch leaves the night undecided, and says so") {
    LedgerWorld world;
    std::uint64_t count = 0;
    live(world, 0, 150, count, leak);
    live(world, 189, 303, count, leak);
    CHECK(night_alarms(world).empty());
    REQUIRE(world.undecided().size() == 1);
    CHECK(world.undecided()[0].window == Span{at_min(60), at_min(300)});
}

TEST_CASE("a gap too short to hold one decides nothing") {
    LedgerWorld world;
    std::uint64_t count = 0;
    const auto every_span = [](int) { return 1; };
    live(world, 0, 150, count, every_span);
    live(world, 171, 303, count, every_span);
    CHECK(night_alarms(world).size() == 1);
    CHECK(world.undecided().empty());
}

TEST_CASE("a node that falls silent in the night leaves it undecided once the clock has run on") {
    LedgerWorld world;
    std::uint64_t count = 0;
    live(world, 0, 150, count, leak);
    world.run_clock(at_min(316));
    REQUIRE(world.undecided().size() == 1);
    CHECK(night_alarms(world).empty());
}

TEST_CASE("a restart in the night proves no stillness and hides none") {
    LedgerWorld world;
    std::uint64_t count = 0;
    for (int minute = 0; minute <= 303; minute += 3) {
        count += static_cast<std::uint64_t>(minute % 27 == 0 ? 1 : 0);
        const int boot = minute < 150 ? 1 : 2;
        world.hear(at_min(minute), "{\"count\":" + std::to_string(count) + ",\"boot\":" +
                                       std::to_string(boot) + ",\"seq\":" + std::to_string(minute / 3) + "}");
    }
    // The restart's three minutes lie between still stretches of 12 and 9: together 24, not 30.
    REQUIRE(world.alarms().size() == 1);
}

TEST_CASE("the night is judged the same whether the daemon was restarted in it or not") {
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
