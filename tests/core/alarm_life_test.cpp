// The states of an alarm, checked against a table and under random commands.
#include <rapidcheck.h>
#include <rapidcheck/catch.h>

#include <catch2/catch.hpp>
#include <deque>
#include <ostream>
#include <tuple>

#include "tickledger/alarm.hpp"

using namespace tickledger;

namespace {

using enum AlarmState;

enum class Event { raise, clear, acknowledge, unacknowledge, shelve, unshelve };

std::ostream& operator<<(std::ostream& out, Event event) {
    constexpr const char* names[] = {"raise", "clear", "acknowledge", "unacknowledge", "shelve", "unshelve"};
    return out << names[static_cast<int>(event)];
}

Instant hour(int hours) {
    return instant_of(1'772'409'600'000'000) + std::chrono::hours{hours};
}

bool apply(Alarm& alarm, Event event, int now) {
    switch (event) {
        case Event::raise:
            return raise(alarm, hour(now));
        case Event::clear:
            return clear(alarm, hour(now));
        case Event::acknowledge:
            return acknowledge(alarm, hour(now));
        case Event::unacknowledge:
            return unacknowledge(alarm);
        case Event::shelve:
            return shelve(alarm, hour(now + 24));
        case Event::unshelve:
            return unshelve(alarm);
    }
    return false;
}

/// A state, and whether its condition holds. The condition of a shelved alarm may hold or not.
using Place = std::pair<AlarmState, bool>;

struct Transition {
    Place from;
    Event event;
    Place to;
};

/// Every transition that changes something. Every other event leaves the alarm unchanged.
///
/// Source: ISA-18.2 / IEC 62682, the alarm's states and transitions (second-hand: the standards were not
/// read). An alarm whose condition holds leaves shelving as "unacknowledged", so that shelving hides no alarm
/// for good: common practice, no source. Taking back an acknowledgement is also common practice, no source.
/// It returns to the state before the acknowledgement; a `normal` alarm in this table was acknowledged
/// before.
const std::vector<Transition> transitions{
    {{normal, false}, Event::raise, {unacknowledged, true}},
    {{unacknowledged, true}, Event::acknowledge, {acknowledged, true}},
    {{unacknowledged, true}, Event::clear, {returned_unacknowledged, false}},
    {{acknowledged, true}, Event::clear, {normal, false}},
    {{returned_unacknowledged, false}, Event::acknowledge, {normal, false}},
    {{acknowledged, true}, Event::unacknowledge, {unacknowledged, true}},
    {{normal, false}, Event::unacknowledge, {returned_unacknowledged, false}},
    {{returned_unacknowledged, false}, Event::raise, {unacknowledged, true}},
    {{normal, false}, Event::shelve, {shelved, false}},
    {{unacknowledged, true}, Event::shelve, {shelved, true}},
    {{acknowledged, true}, Event::shelve, {shelved, true}},
    {{returned_unacknowledged, false}, Event::shelve, {shelved, false}},
    {{shelved, true}, Event::shelve, {shelved, true}},
    {{shelved, false}, Event::shelve, {shelved, false}},
    {{shelved, true}, Event::clear, {shelved, false}},
    {{shelved, false}, Event::raise, {shelved, true}},
    {{shelved, true}, Event::unshelve, {unacknowledged, true}},
    {{shelved, false}, Event::unshelve, {normal, false}},
};

Alarm at(Place place) {
    Alarm alarm;
    alarm.state = place.first;
    alarm.raised_at = hour(0);
    if (!place.second) alarm.cleared_at = hour(1);
    if (place.first == acknowledged || place.first == normal) alarm.acknowledged_at = hour(1);
    if (place.first == shelved) alarm.shelved_until = hour(12);
    return alarm;
}

Place place_of(const Alarm& alarm) {
    return {alarm.state, alarm.is_active()};
}

const Transition* transition(Place from, Event event) {
    for (const Transition& one : transitions) {
        if (one.from == from && one.event == event) return &one;
    }
    return nullptr;
}

auto contents(const Alarm& alarm) {
    return std::tuple(alarm.state, alarm.raised_at, alarm.cleared_at, alarm.acknowledged_at,
                      alarm.shelved_until);
}

constexpr Event events[] = {Event::raise,         Event::clear,  Event::acknowledge,
                            Event::unacknowledge, Event::shelve, Event::unshelve};

}  // namespace

TEST_CASE("every event in every state does what the standard's table says, or nothing") {
    for (const Place& from :
         {Place{normal, false}, Place{unacknowledged, true}, Place{acknowledged, true},
          Place{returned_unacknowledged, false}, Place{shelved, true}, Place{shelved, false}}) {
        for (const Event event : events) {
            CAPTURE(name_of(from.first), from.second, event);
            Alarm alarm = at(from);
            const auto before = contents(alarm);
            const Transition* const expected = transition(from, event);
            CHECK(apply(alarm, event, 6) == (expected != nullptr));
            CHECK(place_of(alarm) == (expected ? expected->to : from));
            if (!expected) CHECK(contents(alarm) == before);
        }
    }
}

TEST_CASE("repeating an event changes nothing") {
    for (const Transition& one : transitions) {
        CAPTURE(name_of(one.from.first), one.event);
        Alarm alarm = at(one.from);
        REQUIRE(apply(alarm, one.event, 6));
        const auto once = contents(alarm);
        CHECK_FALSE(apply(alarm, one.event, 6));
        CHECK(contents(alarm) == once);
    }
}

TEST_CASE("an alarm's state and times agree after any events") {
    rc::prop("after any sequence of events", [] {
        Alarm alarm;
        alarm.cleared_at = hour(0);
        bool holds = false;
        int now = 1;
        for (const Event event : *rc::gen::container<std::vector<Event>>(
                 rc::gen::elementOf(std::vector<Event>(std::begin(events), std::end(events))))) {
            const Place before = place_of(alarm);
            // An acknowledgement that was never given cannot be taken back.
            const bool is_nothing = event == Event::unacknowledge && !alarm.acknowledged_at;
            const bool changed = apply(alarm, event, now);
            const Transition* const expected = is_nothing ? nullptr : transition(before, event);
            RC_ASSERT(changed == (expected != nullptr));
            RC_ASSERT(place_of(alarm) == (expected ? expected->to : before));

            // Only raise and clear change the condition, whatever people do in between.
            if (event == Event::raise) holds = true;
            if (event == Event::clear) holds = false;
            RC_ASSERT(alarm.is_active() == holds);
            RC_ASSERT(alarm.shelved_until.has_value() == (alarm.state == shelved));
            if (alarm.state == unacknowledged || alarm.state == returned_unacknowledged) {
                RC_ASSERT(!alarm.acknowledged_at);
            }
            if (alarm.state == acknowledged) {
                RC_ASSERT(alarm.acknowledged_at >= alarm.raised_at);
            }
            if (alarm.cleared_at && now > 1) {
                RC_ASSERT(*alarm.cleared_at >= alarm.raised_at);
            }
            ++now;
        }
    });
}
