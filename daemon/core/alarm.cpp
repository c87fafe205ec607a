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

bool raise(Alarm& alarm, Instant at) {
    const bool stands = alarm.state != AlarmState::normal && alarm.is_active();
    if (stands) return false;
    alarm.raised_at = at;
    alarm.cleared_at.reset();
    alarm.acknowledged_at.reset();
    // A shelved alarm stays shelved, however often its condition comes back.
    if (alarm.state != AlarmState::shelved) alarm.state = AlarmState::unacknowledged;
    return true;
}

bool clear(Alarm& alarm, Instant at) {
    if (alarm.state == AlarmState::normal || !alarm.is_active()) return false;
    alarm.cleared_at = at;
    if (alarm.state == AlarmState::unacknowledged) alarm.state = AlarmState::returned_unacknowledged;
    if (alarm.state == AlarmState::acknowledged) alarm.state = AlarmState::normal;
    return true;
}

bool acknowledge(Alarm& alarm, Instant at) {
    switch (alarm.state) {
        case AlarmState::unacknowledged:
            alarm.state = AlarmState::acknowledged;
            break;
        case AlarmState::returned_unacknowledged:
            alarm.state = AlarmState::normal;
            break;
        case AlarmState::normal:
        case AlarmState::acknowledged:
        case AlarmState::shelved:
            return false;
    }
    alarm.acknowledged_at = at;
    return true;
}

bool unacknowledge(Alarm& alarm) {
    if (!alarm.acknowledged_at) return false;
    if (alarm.state == AlarmState::acknowledged) {
        alarm.state = AlarmState::unacknowledged;
    } else if (alarm.state == AlarmState::normal) {
        alarm.state = AlarmState::returned_unacknowledged;
    } else {
        return false;
    }
    alarm.acknowledged_at.reset();
    return true;
}

bool shelve(Alarm& alarm, Instant until) {
    if (alarm.shelved_until == until) return false;
    alarm.state = AlarmState::shelved;
    alarm.shelved_until = until;
    return true;
}

bool unshelve(Alarm& alarm) {
    if (alarm.state != AlarmState::shelved) return false;
    alarm.shelved_until.reset();
    alarm.state = alarm.is_active() ? AlarmState::unacknowledged : AlarmState::normal;
    // It asks for attention again.
    if (alarm.is_active()) alarm.acknowledged_at.reset();
    return true;
}

}  // namespace tickledger
