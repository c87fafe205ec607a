// high-flow, long-draw, away-use, counter-fault: raised by the first message that proves them.
#include "ledger_world.hpp"

using namespace tickledger;
using namespace tickledger::test;

namespace {

const Instant start = at_min(600);

/// A meter that is heard every `cadence`; `litres(t)` have run by the time t.
template <typename Litres>
void live(LedgerWorld& world, Duration cadence, Duration length, Litres litres) {
    const double pulse_value_l = world.meters[0].pulse_value_l.value();
    std::vector<Delivery> deliveries;
    for (Duration t{0}; t <= length; t += cadence) {
        Message message;
        message.arrived_at = start + t;
        message.topic = "nodes/house";
        message.payload =
            "{\"count\":" + std::to_string(static_cast<std::int64_t>(litres(t) / pulse_value_l)) + "}";
        deliveries.push_back({std::move(message)});
    }
    world.take(std::move(deliveries));
}

std::optional<Alarm> alarm_of(LedgerWorld& world, AlarmKind kind) {
    for (const auto& record : world.alarms()) {
        if (record.alarm.kind == kind) return record.alarm;
    }
    return std::nullopt;
}

double minutes(Duration d) {
    return std::chrono::duration<double, std::ratio<60>>(d).count();
}

/// Runs at `l_per_min` from `from` to `to`.
auto burst(double l_per_min, Duration from, Duration to) {
    return [=](Duration t) { return l_per_min * minutes(std::clamp(t, from, to) - from); };
}

}  // namespace

TEST_CASE("a burst of 1.2 times high_flow always raises the alarm within high_flow_for and one cadence") {
    using namespace std::chrono_literals;
    for (const Ratio pulse_value_l : {Ratio{1, 10}, Ratio{1, 1}, Ratio{10, 1}}) {
        for (const Duration cadence : {Duration{10s}, Duration{1min}, Duration{3min}, Duration{10min}}) {
            for (int phase = 0; phase < 12; ++phase) {
                MeterSettings meter = house();
                meter.pulse_value_l = pulse_value_l;
                meter.cadence = cadence;
                LedgerWorld world({meter});
                const Duration from = 40min + cadence * phase / 12;
                live(world, cadence, 80min, burst(36, from, 24h));
                const auto alarm = alarm_of(world, AlarmKind::high_flow);
                CAPTURE(pulse_value_l.value(), cadence.count(), phase);
                REQUIRE(alarm);
                CHECK(alarm->raised_at - start <= from + 10min + cadence);
                // The beginning within a span is known only to two ticks: 20 L at 36 L/min are 34 s.
                CHECK(alarm->raised_at - start >= from + 10min - cadence - 34s);
            }
        }
    }
}

TEST_CASE("a flow of 0.8 times high_flow, or a burst of half its time, raises no alarm") {
    using namespace std::chrono_literals;
    LedgerWorld slow;
    live(slow, 3min, 60min, burst(24, 10min, 50min));
    CHECK_FALSE(alarm_of(slow, AlarmKind::high_flow));
    LedgerWorld brief;
    live(brief, 1min, 60min, burst(36, 10min, 15min));
    CHECK_FALSE(alarm_of(brief, AlarmKind::high_flow));
}

TEST_CASE("a burst far above high_flow is reported in time, however short high_flow_for is") {
    using namespace std::chrono_literals;
    MeterSettings meter = house();
    meter.pulse_value_l = {10, 1};
    meter.cadence = 1min;
    meter.alarms.high_flow_l_per_h = {500, 1};
    meter.alarms.high_flow_for = 2min;
    LedgerWorld world({meter});
    live(world, 1min, 65min, burst(50, 60min, 65min));
    const auto alarm = alarm_of(world, AlarmKind::high_flow);
    REQUIRE(alarm);
    CHECK(alarm->raised_at <= start + 63min);
}

TEST_CASE("the still time before a burst lowers neither its flow nor its beginning") {
    using namespace std::chrono_literals;
    MeterSettings meter = house();
    meter.cadence = 2s;
    meter.alarms.high_flow_l_per_h = {1000, 1};
    meter.alarms.high_flow_for = 0s;
    LedgerWorld world({meter});
    live(world, 2s, 70s, burst(60, 60s, 70s));
    const auto alarm = alarm_of(world, AlarmKind::high_flow);
    REQUIRE(alarm);
    CHECK_THAT(alarm->text,
               Catch::Matchers::Contains("litres an hour for 7 seconds, 6 litres since 2026-03-01 10:00"));
}

TEST_CASE("a burst raises one alarm, which clears when the burst is over") {
    using namespace std::chrono_literals;
    LedgerWorld world;
    live(world, 3min, 120min, burst(36, 10min, 40min));
    const auto alarm = alarm_of(world, AlarmKind::high_flow);
    REQUIRE(alarm);
    REQUIRE(alarm->cleared_at);
    CHECK(*alarm->cleared_at - start <= 40min + 10min + 2 * 3min);
    CHECK(nlohmann::json::parse(alarm->evidence)["flow_l_per_h"].get<double>() ==
          Approx(36 * 60).epsilon(0.1));
}

TEST_CASE("a tap left open raises the alarm when it reaches the volume or the time, not before") {
    using namespace std::chrono_literals;
    LedgerWorld fast;
    live(fast, 3min, 80min, burst(10, 9min, 24h));
    const auto by_volume = alarm_of(fast, AlarmKind::long_draw);
    REQUIRE(by_volume);
    CHECK((by_volume->raised_at - start >= 59min && by_volume->raised_at - start <= 63min));
    LedgerWorld slow;
    live(slow, 3min, 180min, burst(2, 9min, 24h));
    const auto by_time = alarm_of(slow, AlarmKind::long_draw);
    REQUIRE(by_time);
    CHECK((by_time->raised_at - start >= 129min && by_time->raised_at - start <= 136min));
    LedgerWorld ends;
    live(ends, 3min, 180min, burst(2, 9min, 69min));
    CHECK_FALSE(alarm_of(ends, AlarmKind::long_draw));
}

TEST_CASE("hourly readings were reported as one use of water that had not ended") {
    using namespace std::chrono_literals;
    // Three uses of 200 L, with an hour between two messages.
    const auto three_uses = [](Duration t) { return 200.0 * static_cast<double>((t + 20min) / 60min); };
    MeterSettings hourly = house();
    hourly.cadence = 1h;
    hourly.alarms.silent_after = usual_silent_after(hourly.cadence);
    LedgerWorld world({hourly});
    live(world, 1h, 6h, three_uses);
    CHECK(world.alarms().empty());
    // The same if the node usually sends every three minutes and its messages went missing.
    LedgerWorld gaps;
    live(gaps, 1h, 6h, three_uses);
    CHECK_FALSE(alarm_of(gaps, AlarmKind::long_draw));
    // A person who switches the alarm on still gets it.
    hourly.alarms.on = {AlarmKind::long_draw};
    LedgerWorld wanted({hourly});
    live(wanted, 1h, 6h, three_uses);
    CHECK(alarm_of(wanted, AlarmKind::long_draw));
}

TEST_CASE("any tick while away raises the alarm with its message, and no tick at home does") {
    using namespace std::chrono_literals;
    MeterSettings meter = house();
    meter.alarms.away = true;
    LedgerWorld world({meter});
    live(world, 3min, 400min, burst(1, 31min, 32min));
    const auto alarm = alarm_of(world, AlarmKind::away_use);
    REQUIRE(alarm);
    CHECK(alarm->raised_at == start + 33min);
    CHECK(alarm->cleared_at == start + 33min + 6h);
    LedgerWorld at_home;
    live(at_home, 3min, 90min, burst(1, 31min, 32min));
    CHECK(at_home.alarms().empty());
}

TEST_CASE("a count set by hand raises the alarm at once, single strays do not, three in a day do") {
    LedgerWorld set;
    for (const auto& [minute, count] : {std::pair{600, 100}, {603, 90'000}, {606, 90'001}, {609, 90'001}})
        set.hear_count(at_min(minute), static_cast<std::uint64_t>(count));
    CHECK(alarm_of(set, AlarmKind::counter_fault));
    LedgerWorld strays;
    int minute = 600;
    for (int i = 0; i < 3; ++i) {
        CHECK_FALSE(alarm_of(strays, AlarmKind::counter_fault));
        strays.hear_count(at_min(minute), 100);
        strays.hear_count(at_min(minute + 3), 90'000);
        strays.hear_count(at_min(minute + 6), 100);
        minute += 9;
    }
    CHECK(alarm_of(strays, AlarmKind::counter_fault));
}

TEST_CASE("a use that ran when long-draw was switched off is forgotten") {
    using namespace std::chrono_literals;
    LedgerWorld world;
    live(world, 3min, 30min, burst(5, 0min, 24h));
    world.meters[0].alarms.off = {AlarmKind::long_draw};
    world.open();
    world.hear_count(start + 33min, 165);
    world.hear_count(start + 10h, 165);
    world.meters[0].alarms.off.clear();
    world.open();
    for (int i = 1; i <= 3; ++i)
        world.hear_count(start + 10h + i * 3min, static_cast<std::uint64_t>(165 + 15 * i));
    CHECK_FALSE(alarm_of(world, AlarmKind::long_draw));
}

TEST_CASE("one message with much water gives no volume a day") {
    using namespace std::chrono_literals;
    MeterSettings meter = house();
    meter.pulse_value_l = {1000, 1};
    meter.q3_l_per_h = {1'000'000, 1};
    LedgerWorld world({meter});
    world.hear(start, R"({"count":10,"time":"2026-03-01T09:59:59Z"})");
    world.hear(start + 2s, R"({"count":11,"time":"2026-03-01T09:59:59Z"})");
    const auto alarm = alarm_of(world, AlarmKind::long_draw);
    REQUIRE(alarm);
    CHECK_THAT(alarm->text, !Catch::Matchers::Contains("inf") && !Catch::Matchers::Contains("a day"));
}
