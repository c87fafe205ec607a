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

TEST_CASE("an alarm lives through the states of ISA-18.2") {
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

TEST_CASE("an alarm that stands is one alarm, whatever confirms it") {
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

TEST_CASE("clearing what does not stand changes nothing") {
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

TEST_CASE("states and kinds have their own words") {
    CHECK(name_of(AlarmState::returned_unacknowledged) == "returned-unacknowledged");
    CHECK(name_of(AlarmState::normal) == "normal");
    std::set<std::string_view> names;
    for (int i = 0; i < alarm_kind_count; ++i) {
        const auto kind = static_cast<AlarmKind>(i);
        names.insert(name_of(kind));
        CHECK(alarm_kind_named(name_of(kind)) == kind);
    }
    CHECK(names == std::set<std::string_view>{"night-flow", "slow-leak", "high-flow", "long-draw", "away-use",
                                              "node-silent", "counter-fault"});
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
