#include "tickledger/alarm.hpp"

namespace tickledger {

std::string_view name_of(AlarmState state) {
    switch (state) {
        case AlarmState::normal:
            return "normal";
        case AlarmState::unacknowledged:
            return "unacknowledged";
        case AlarmState::acknowledged:
            return "acknowledged";
        case AlarmState::returned_unacknowledged:
            return "returned-unacknowledged";
        case AlarmState::shelved:
            return "shelved";
    }
    return "unknown";
}

void raise(Alarm& alarm, Instant at) {
    const bool stands = alarm.state != AlarmState::normal && alarm.is_active();
    if (stands) return;
    alarm.raised_at = at;
    alarm.cleared_at.reset();
    // A person who shelved an alarm does not want to hear of it for a while, however often it comes back.
    if (alarm.state != AlarmState::shelved) alarm.state = AlarmState::unacknowledged;
}

void clear(Alarm& alarm, Instant at) {
    if (alarm.state == AlarmState::normal || !alarm.is_active()) return;
    alarm.cleared_at = at;
    if (alarm.state == AlarmState::unacknowledged) alarm.state = AlarmState::returned_unacknowledged;
    if (alarm.state == AlarmState::acknowledged) alarm.state = AlarmState::normal;
}

}  // namespace tickledger
