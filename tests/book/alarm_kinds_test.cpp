// Rules for every kind of alarm: it survives restarts of the daemon, it is raised once however its condition
// wavers, and unseen time neither raises nor clears it.
#include "book/documents.hpp"
#include "book/instruction_documents.hpp"
#include "ledger_world.hpp"

using namespace tickledger;
using namespace tickledger::test;

namespace {

using std::chrono::hours;
using std::chrono::minutes;
using std::chrono::seconds;

constexpr int day_min = 24 * 60;

/// What happens to a meter, as a list of events.
struct Story {
    MeterSettings meter = house();
    std::vector<Event> events;
    Instant until = at_min(0);

    void count(Instant at, std::int64_t count, int boot = 1) {
        Message message;
        message.arrived_at = at;
        message.topic = "nodes/house";
        message.payload = "{\"count\":" + std::to_string(count) + ",\"boot\":" + std::to_string(boot) + "}";
        events.emplace_back(std::move(message));
        until = at;
    }
    void tell(Instant at, std::string order) {
        events.emplace_back(Instruction{at, std::move(order)});
        until = at;
    }
    /// A message every `cadence` from one minute to another; `litres(t)` have run by the time t after the
    /// first.
    template <typename Litres>
    void run(int from_min, int to_min, Duration cadence, Litres litres) {
        const Duration length = minutes{to_min - from_min};
        for (Duration t{0}; t <= length; t += cadence)
            count(at_min(from_min) + t, counted + static_cast<std::int64_t>(litres(t)));
        counted += static_cast<std::int64_t>(litres(length));
    }
    std::int64_t counted = 100;
};

double minutes_of(Duration d) {
    return std::chrono::duration<double, std::ratio<60>>(d).count();
}
auto steady(double l_per_min) {
    return [=](Duration t) { return l_per_min * minutes_of(t); };
}
/// Flows for `time`, stops for `time`, and so on.
auto in_turn(double l_per_min, Duration time) {
    return [=](Duration t) {
        return l_per_min * minutes_of((t / (2 * time)) * time + std::min(t % (2 * time), time));
    };
}
const auto nothing = steady(0);

enum class Way { message_by_message, in_one_batch, restarted_after_each };

/// Everything that is reported about alarms after a story.
struct Told {
    std::vector<Alarm> of_kind;
    std::size_t undecided = 0;
    std::string answers;
};

Told told(const Story& story, AlarmKind kind, Way way = Way::in_one_batch) {
    LedgerWorld world({story.meter});
    std::vector<Delivery> batch;
    for (const Event& event : story.events) {
        batch.push_back({event});
        if (way == Way::in_one_batch) continue;
        world.take(std::exchange(batch, {}));
        if (way == Way::restarted_after_each) world.open();
    }
    world.take(batch);
    world.run_clock(story.until);
    Told told;
    for (const AlarmRecord& record : world.alarms()) {
        if (record.alarm.kind == kind) told.of_kind.push_back(record.alarm);
        told.answers += alarm_document(record.alarm, record.meter, world.zone) + "\n";
    }
    for (const Undecided& undecided : world.undecided()) {
        if (undecided.kind == kind) ++told.undecided;
        told.answers += undecided.text + "\n";
    }
    for (int kind_number = 0; kind_number < alarm_kind_count; ++kind_number) {
        const auto name = std::string(name_of(static_cast<AlarmKind>(kind_number)));
        for (const auto& document : world.published("meters/house/alarms/" + name))
            told.answers += document.dump() + "\n";
    }
    return told;
}

/// A story in which the kind is raised once and, for most kinds, cleared.
Story story_of(AlarmKind kind) {
    Story story;
    const auto leak_of_2_l_per_h = [](Duration t) { return std::floor(minutes_of(t) / 27); };
    switch (kind) {
        case AlarmKind::night_flow:
            story.run(0, 303, minutes{3}, leak_of_2_l_per_h);
            story.run(306, 360, minutes{3}, nothing);
            break;
        case AlarmKind::slow_leak:
            story.meter.cadence = minutes{15};
            story.meter.alarms.silent_after = hours{1};
            // A leak of half a litre an hour, and a flush at 06:30 and at 23:00.
            story.run(0, 9 * day_min, minutes{15}, [](Duration t) {
                const auto into_day = t % hours{24};
                const auto flushes =
                    t / hours{24} * 10 + (into_day >= minutes{390} ? 5 : 0) + (into_day >= hours{23} ? 5 : 0);
                return static_cast<double>(flushes) + std::floor(minutes_of(t) / 120);
            });
            break;
        case AlarmKind::high_flow:
            story.run(600, 630, minutes{3}, steady(36));
            story.run(633, 660, minutes{3}, nothing);
            break;
        case AlarmKind::long_draw:
            story.run(600, 690, minutes{3}, steady(10));
            story.run(693, 720, minutes{3}, nothing);
            break;
        case AlarmKind::away_use:
            story.tell(at_min(599), instruction_to_be_away("house", {}, {}));
            story.run(600, 630, minutes{3}, steady(1));
            story.run(633, 1020, minutes{3}, nothing);
            break;
        case AlarmKind::node_silent:
            story.run(600, 630, minutes{3}, nothing);
            story.run(700, 730, minutes{3}, nothing);
            break;
        case AlarmKind::counter_fault:
            story.run(600, 630, minutes{3}, nothing);
            story.counted = 90'000;  // As if set by hand.
            story.run(633, 633 + 25 * 60, minutes{3}, nothing);
            break;
        case AlarmKind::backflow:
            break;  // Tested with entries in hygiene_watch_test.cpp.
        case AlarmKind::stagnation:
            story.meter.cadence = minutes{15};
            story.meter.alarms.silent_after = hours{2};
            story.meter.alarms.on = {AlarmKind::stagnation};
            story.run(600, 630, minutes{15}, steady(1));
            story.run(645, 645 + 73 * 60, minutes{15}, nothing);
            story.run(5040, 5055, minutes{15}, steady(1));
            break;
    }
    return story;
}

AlarmKind any_kind() {
    return static_cast<AlarmKind>(
        GENERATE(filter([](int kind) { return static_cast<AlarmKind>(kind) != AlarmKind::backflow; },
                        range(0, alarm_kind_count))));
}

}  // namespace

TEST_CASE("every kind survives restarts of the daemon: one alarm, and the same answers byte for byte") {
    const AlarmKind kind = any_kind();
    CAPTURE(name_of(kind));
    const Story story = story_of(kind);
    const Told whole = told(story, kind, Way::message_by_message);
    REQUIRE(whole.of_kind.size() == 1);
    CHECK((whole.of_kind[0].cleared_at.has_value() || kind == AlarmKind::slow_leak));
    CHECK_THAT(whole.of_kind[0].text, Catch::Contains("not a safety device"));
    CHECK(told(story, kind, Way::restarted_after_each).answers == whole.answers);
    CHECK(told(story, kind, Way::in_one_batch).answers == whole.answers);
}

TEST_CASE("an active alarm whose kind is switched off is cleared by the next entry") {
    const AlarmKind kind = any_kind();
    CAPTURE(name_of(kind));
    const Story story = story_of(kind);
    LedgerWorld world({story.meter});
    const auto stands = [&] {
        const auto alarms = world.alarms();
        return std::ranges::any_of(alarms, [&](const AlarmRecord& record) {
            return record.alarm.kind == kind && record.alarm.is_active();
        });
    };
    std::size_t next = 0;
    while (!stands()) {
        REQUIRE(next < story.events.size());
        world.take({{story.events[next++]}});
        // The clock raises the alarm of a silence.
        if (next < story.events.size()) world.run_clock(time_of(story.events[next]) - seconds{1});
    }
    world.meters[0].alarms.off = {kind};
    world.open();
    const Message& last = std::get<Message>(story.events[next - 1]);
    world.hear(last.arrived_at + hours{1}, last.payload);
    CHECK_FALSE(stands());
}

TEST_CASE("a burst that comes and goes, or wavers around the limit, is one alarm") {
    Story pulsing;
    pulsing.meter.alarms.high_flow_for = Duration{0};
    pulsing.run(600, 660, seconds{10}, in_turn(36, seconds{20}));
    CHECK(told(pulsing, AlarmKind::high_flow).of_kind.size() == 1);

    // The limit is 30 L/min; the flow alternates between 29 and 32.
    Story wavering;
    wavering.meter.alarms.high_flow_for = minutes{1};
    const auto more = in_turn(3, minutes{15});
    wavering.run(600, 900, minutes{1}, [&](Duration t) { return 29 * minutes_of(t) + more(t); });
    const auto wavered = told(wavering, AlarmKind::high_flow).of_kind;
    REQUIRE(wavered.size() == 1);
    CHECK(wavered[0].is_active());
}

TEST_CASE("a node that sends too seldom raises one alarm, even if it sends twice each time") {
    const bool twice = GENERATE(false, true);
    Story story;
    for (int minute = 0; minute < day_min; minute += 20) {
        story.count(at_min(minute), 100);
        if (twice) story.count(at_min(minute) + seconds{5}, 100);
    }
    const auto silent = told(story, AlarmKind::node_silent).of_kind;
    REQUIRE(silent.size() == 1);
    CHECK(silent[0].is_active());
    CHECK(silent[0].raised_at == at_min(15) + (twice ? seconds{5} : seconds{0}));
}

TEST_CASE("occasional strays are one alarm until a day passes without one") {
    Story story;
    for (int minute = 0; minute < 3 * day_min; minute += 3)
        story.count(at_min(minute), minute % 360 == 180 ? 90'000 : 100);
    story.run(3 * day_min, 5 * day_min, minutes{3}, nothing);
    const auto faults = told(story, AlarmKind::counter_fault).of_kind;
    REQUIRE(faults.size() == 1);
    REQUIRE(faults[0].cleared_at);
    // The last stray arrived three hours before the end of the third day.
    CHECK(*faults[0].cleared_at >= at_min(3 * day_min - 180 + day_min));
    CHECK(*faults[0].cleared_at <= at_min(3 * day_min - 180 + day_min + 3));
}

TEST_CASE("a leak while everybody is away is one alarm, although its ticks are hours apart") {
    Story story;
    story.meter.alarms.away = true;
    story.run(0, 2 * day_min, minutes{3}, [](Duration t) { return std::floor(minutes_of(t) / 300); });
    const auto away = told(story, AlarmKind::away_use).of_kind;
    REQUIRE(away.size() == 1);
    CHECK(away[0].is_active());
}

TEST_CASE("unseen time clears no alarm") {
    const AlarmKind kind = GENERATE(AlarmKind::high_flow, AlarmKind::long_draw, AlarmKind::away_use);
    CAPTURE(name_of(kind));
    const double l_per_min = kind == AlarmKind::high_flow ? 36 : 10;
    Story story;
    story.tell(at_min(599), instruction_to_be_away("house", {}, {}));
    story.run(600, 690, minutes{3}, steady(l_per_min));
    // The node restarts and has counted nothing. Nobody saw whether water ran in between.
    story.count(at_min(750), story.counted, 2);
    const auto alarms = told(story, kind).of_kind;
    REQUIRE(alarms.size() == 1);
    CHECK(alarms[0].is_active());
    // The time that is seen afterwards clears it.
    for (int minute = 753; minute <= 753 + 400; minute += 3)
        story.count(at_min(minute), story.counted, 2);
    const auto later = told(story, kind).of_kind;
    REQUIRE(later.size() == 1);
    CHECK_FALSE(later[0].is_active());
}

TEST_CASE("use while everybody is away stays undecided for time that was not seen") {
    Story story;
    story.run(600, 630, minutes{3}, nothing);
    story.tell(at_min(632), instruction_to_be_away("house", {}, {}));
    story.run(633, 660, minutes{3}, nothing);
    story.count(at_min(663), story.counted, 2);
    const Told after = told(story, AlarmKind::away_use);
    CHECK(after.of_kind.empty());
    CHECK(after.undecided == 1);
    CHECK_THAT(after.answers, Catch::Contains("It is not known whether water ran"));
}

TEST_CASE("being away has a beginning and an end") {
    Story story;
    story.run(600, 615, minutes{3}, nothing);
    story.tell(at_min(616), instruction_to_be_away("house", at_min(700), at_min(801)));
    const auto used = [&](int minute) {
        Story one = story;
        one.run(618, minute - 3, minutes{3}, nothing);
        one.counted += 2;
        one.run(minute, minute + 30, minutes{3}, nothing);
        return told(one, AlarmKind::away_use).of_kind;
    };
    CHECK(used(672).empty());
    // The span from 699 to 702 began before everybody had left.
    CHECK(used(702).empty());
    REQUIRE(used(705).size() == 1);
    CHECK(used(705)[0].raised_at == at_min(705));
    REQUIRE(used(798).size() == 1);
    // The first entry that ends after they are back ends the condition.
    CHECK(used(798)[0].cleared_at == at_min(804));
    // A span that ends at the last moment is within the absence.
    CHECK(used(801).size() == 1);
    CHECK(used(804).empty());
}

TEST_CASE("coming home ends being away and its alarm, whatever is configured") {
    const bool configured = GENERATE(false, true);
    Story story;
    story.meter.alarms.away = configured;
    if (!configured) story.tell(at_min(599), instruction_to_be_away("house", {}, {}));
    story.run(600, 630, minutes{3}, steady(1));
    story.tell(at_min(631), instruction_to_be_home("house"));
    story.run(633, 663, minutes{3}, steady(1));
    const auto alarms = told(story, AlarmKind::away_use, Way::restarted_after_each).of_kind;
    REQUIRE(alarms.size() == 1);
    CHECK(alarms[0].cleared_at == at_min(631));
}

TEST_CASE("a configuration that is changed after an instruction overrides it") {
    LedgerWorld world;
    world.take({{Instruction{at_min(600), instruction_to_be_home("house")}}});
    world.hear_count(at_min(603), 100);
    world.hear_count(at_min(606), 101);
    CHECK(world.alarms().empty());
    world.meters[0].alarms.away = true;
    world.open();
    world.hear_count(at_min(609), 102);
    REQUIRE(world.alarms().size() == 1);
    CHECK(world.alarms()[0].alarm.kind == AlarmKind::away_use);
}
