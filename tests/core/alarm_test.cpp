#include "tickledger/alarm.hpp"

#include <catch2/catch.hpp>
#include <set>

using namespace tickledger;

namespace {

const Instant monday = instant_of(1'772'409'600'000'000);
const Instant tuesday = monday + std::chrono::hours{24};
const Instant wednesday = tuesday + std::chrono::hours{24};

Alarm in(AlarmState state, bool active) {
    Alarm alarm;
    alarm.state = state;
    alarm.raised_at = monday;
    if (!active) alarm.cleared_at = tuesday;
    return alarm;
}

}  // namespace

TEST_CASE("an alarm goes through the states of ISA-18.2") {
    // Source: ISA-18.2 / IEC 62682, second-hand.
    Alarm alarm;
    raise(alarm, monday);
    CHECK(alarm.state == AlarmState::unacknowledged);
    CHECK(alarm.raised_at == monday);
    CHECK(alarm.is_active());

    clear(alarm, tuesday);
    CHECK(alarm.state == AlarmState::returned_unacknowledged);
    CHECK(alarm.cleared_at == tuesday);

    raise(alarm, wednesday);
    CHECK(alarm.state == AlarmState::unacknowledged);
    CHECK(alarm.raised_at == wednesday);
    CHECK_FALSE(alarm.cleared_at);

    Alarm acknowledged = in(AlarmState::acknowledged, true);
    clear(acknowledged, tuesday);
    CHECK(acknowledged.state == AlarmState::normal);
    CHECK(acknowledged.cleared_at == tuesday);
    raise(acknowledged, wednesday);
    CHECK(acknowledged.state == AlarmState::unacknowledged);
}

TEST_CASE("raising an active alarm again does not change it") {
    for (const AlarmState state :
         {AlarmState::unacknowledged, AlarmState::acknowledged, AlarmState::shelved}) {
        Alarm alarm = in(state, true);
        raise(alarm, wednesday);
        CHECK(alarm.state == state);
        CHECK(alarm.raised_at == monday);
    }
}

TEST_CASE("a shelved alarm stays shelved while its condition comes and goes") {
    Alarm alarm = in(AlarmState::shelved, true);
    clear(alarm, tuesday);
    CHECK(alarm.state == AlarmState::shelved);
    CHECK(alarm.cleared_at == tuesday);
    raise(alarm, wednesday);
    CHECK(alarm.state == AlarmState::shelved);
    CHECK(alarm.raised_at == wednesday);
    CHECK(alarm.is_active());
}

TEST_CASE("clearing an inactive alarm changes nothing") {
    for (const AlarmState state :
         {AlarmState::normal, AlarmState::returned_unacknowledged, AlarmState::shelved}) {
        Alarm alarm = in(state, false);
        clear(alarm, wednesday);
        CHECK(alarm.state == state);
        CHECK(alarm.cleared_at == tuesday);
    }
    Alarm fresh;
    clear(fresh, monday);
    CHECK(fresh.state == AlarmState::normal);
    CHECK_FALSE(fresh.cleared_at);
}

TEST_CASE("states and kinds have unique names") {
    CHECK(name_of(AlarmState::returned_unacknowledged) == "returned-unacknowledged");
    CHECK(name_of(AlarmState::normal) == "normal");
    std::set<std::string_view> names;
    for (int i = 0; i < alarm_kind_count; ++i) {
        const auto kind = static_cast<AlarmKind>(i);
        names.insert(name_of(kind));
        CHECK(alarm_kind_named(name_of(kind)) == kind);
    }
    CHECK(names == std::set<std::string_view>{"night-flow", "slow-leak", "high-flow", "long-draw", "away-use",
                                              "node-silent", "counter-fault", "backflow", "stagnation"});
    CHECK_FALSE(alarm_kind_named("flood"));
}

TEST_CASE("a kind is on unless it is switched off") {
    AlarmSettings settings;
    CHECK(settings.is_on(AlarmKind::slow_leak));
    CHECK(settings.is_on(AlarmKind::away_use));
    settings.off = {AlarmKind::slow_leak, AlarmKind::away_use};
    CHECK_FALSE(settings.is_on(AlarmKind::slow_leak));
    CHECK_FALSE(settings.is_on(AlarmKind::away_use));
    CHECK(settings.is_on(AlarmKind::night_flow));
}

TEST_CASE("a kind that the meter cannot detect is off by default, with a reason, and can be switched on") {
    using namespace std::chrono_literals;
    MeterSettings meter;
    for (const AlarmKind kind : {AlarmKind::long_draw, AlarmKind::high_flow, AlarmKind::slow_leak,
                                 AlarmKind::night_flow, AlarmKind::backflow})
        CHECK(meter.watches(kind));
    CHECK_FALSE(meter.watches(AlarmKind::stagnation));

    MeterSettings hourly;
    hourly.cadence = 1h;
    CHECK_FALSE(hourly.watches(AlarmKind::long_draw));
    CHECK_FALSE(hourly.watches(AlarmKind::slow_leak));
    CHECK(hourly.watches(AlarmKind::high_flow));
    CHECK(words_of(*why_off(hourly, AlarmKind::long_draw)).find("one use of water from several") !=
          std::string::npos);
    hourly.alarms.on = {AlarmKind::long_draw};
    CHECK(hourly.watches(AlarmKind::long_draw));
    hourly.alarms.off = {AlarmKind::long_draw};
    CHECK_FALSE(hourly.watches(AlarmKind::long_draw));

    MeterSettings coarse;
    coarse.pulse_value_l = {10, 1};
    CHECK_FALSE(coarse.watches(AlarmKind::slow_leak));
    CHECK(coarse.watches(AlarmKind::long_draw));
}

TEST_CASE("a node is silent after five cadences, or 15 minutes if that is longer") {
    using namespace std::chrono_literals;
    CHECK(usual_silent_after(10s) == Duration{15min});
    CHECK(usual_silent_after(3min) == Duration{15min});
    CHECK(usual_silent_after(1h) == Duration{5h});
}

TEST_CASE("an impossible flow is ignored, however short the span of its ticks") {
    using namespace std::chrono_literals;
    const MeterSettings meter;  // Q4 is 3125 L/h, and two ticks in three minutes are 40 L/h.
    CHECK_FALSE(possible_flow_l_per_h(1, Duration{17}, meter));  // 211 764 706 L/h.
    CHECK_FALSE(possible_flow_l_per_h(3, 2s, meter));
    CHECK_FALSE(possible_flow_l_per_h(159, 3min, meter));
    CHECK_FALSE(possible_flow_l_per_h(1, Duration{0}, meter));
    CHECK(*possible_flow_l_per_h(158, 3min, meter) == Approx(3160));
    CHECK(*possible_flow_l_per_h(1, 5s, meter) == Approx(720));
    CHECK_FALSE(possible_flow_l_per_h(3150, 1h, meter));
    CHECK(*possible_flow_l_per_h(-3, 3min, meter) == Approx(-60));
}
