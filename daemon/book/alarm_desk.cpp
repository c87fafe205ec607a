#include "book/alarm_desk.hpp"

#include <algorithm>

#include "book/documents.hpp"
#include "book/store_failure.hpp"

namespace tickledger {

bool AlarmDesk::is_active(const Account& account, AlarmKind kind) {
    const auto found = account.open_alarms.find(kind);
    return found != account.open_alarms.end() && found->second.is_active();
}

void AlarmDesk::raise(Account& account, AlarmKind kind, Instant at, const Evidence& evidence) {
    if (is_active(account, kind)) return;
    // An open alarm whose condition does not hold is shelved. It continues as the same alarm.
    const auto shelved = account.open_alarms.find(kind);
    Alarm alarm = shelved == account.open_alarms.end() ? Alarm{} : shelved->second;
    alarm.kind = kind;
    alarm.evidence = evidence.json;
    alarm.text = evidence.text;
    tickledger::raise(alarm, at);
    alarm.id = value_or_throw(ledger_.put_alarm(account.key, alarm));
    keep(account, alarm);
}

void AlarmDesk::clear(Account& account, AlarmKind kind, Instant at) {
    if (!is_active(account, kind)) return;
    Alarm alarm = account.open_alarms.at(kind);
    tickledger::clear(alarm, std::max(at, alarm.raised_at));
    value_or_throw(ledger_.put_alarm(account.key, alarm));
    keep(account, alarm);
}

void AlarmDesk::clear_switched_off(Account& account, Instant at) {
    const auto open = account.open_alarms;
    for (const auto& [kind, alarm] : open) {
        if (!account.settings.watches(kind)) clear(account, kind, at);
    }
}

void AlarmDesk::leave_undecided(const Account& account, AlarmKind kind, Span window,
                                const std::string& text) {
    value_or_throw(ledger_.add_undecided(account.key, kind, window, text));
}

void AlarmDesk::change(Account& account, AlarmKind kind, Instant raised_at,
                       const std::function<bool(Alarm& alarm, bool is_newest)>& change) {
    auto alarm = value_or_throw(ledger_.last_alarm(account.key, kind, raised_at));
    if (!alarm) return;
    const bool is_newest = value_or_throw(ledger_.last_alarm(account.key, kind))->id == alarm->id;
    if (!change(*alarm, is_newest)) return;
    value_or_throw(ledger_.put_alarm(account.key, *alarm));
    // Only the newest alarm of a kind is published under the kind's topic, and only it can still change by
    // itself.
    if (is_newest) keep(account, *alarm);
}

std::optional<Instant> AlarmDesk::deadline(const Account& account) {
    std::optional<Instant> next;
    for (const auto& [kind, alarm] : account.open_alarms) {
        if (alarm.shelved_until) next = std::min(*alarm.shelved_until, next.value_or(*alarm.shelved_until));
    }
    return next;
}

void AlarmDesk::end_shelvings(Account& account, Instant until) {
    const auto open = account.open_alarms;
    for (auto [kind, alarm] : open) {
        if (!alarm.shelved_until || *alarm.shelved_until > until || !unshelve(alarm)) continue;
        value_or_throw(ledger_.put_alarm(account.key, alarm));
        keep(account, alarm);
    }
}

void AlarmDesk::keep(Account& account, const Alarm& alarm) {
    if (alarm.is_active() || alarm.state == AlarmState::shelved) {
        account.open_alarms.insert_or_assign(alarm.kind, alarm);
    } else {
        account.open_alarms.erase(alarm.kind);
    }
    outbox_.publish({.kind = MeterPublication::Kind::alarm,
                     .meter = account.id,
                     .payload = alarm_document(alarm, account.id, zone_),
                     .alarm = alarm.kind});
}

}  // namespace tickledger
