#include "book/alarm_desk.hpp"

#include <algorithm>
#include <nlohmann/json.hpp>

#include "book/documents.hpp"
#include "book/store_failure.hpp"

namespace tickledger {

namespace {

auto find(Account& account, AlarmKind kind) {
    return std::find_if(account.active_alarms.begin(), account.active_alarms.end(),
                        [kind](const Alarm& alarm) { return alarm.kind == kind; });
}

}  // namespace

bool AlarmDesk::is_active(const Account& account, AlarmKind kind) {
    return std::any_of(account.active_alarms.begin(), account.active_alarms.end(),
                       [kind](const Alarm& alarm) { return alarm.kind == kind; });
}

void AlarmDesk::raise(Account& account, AlarmKind kind, Instant at, const Evidence& evidence) {
    if (is_active(account, kind)) return;
    Alarm alarm;
    alarm.kind = kind;
    alarm.evidence = evidence.json;
    alarm.text = evidence.text;
    tickledger::raise(alarm, at);
    alarm.id = kept(ledger_.put_alarm(account.key, alarm));
    account.active_alarms.push_back(alarm);
    tell(account, alarm);
}

void AlarmDesk::clear(Account& account, AlarmKind kind, Instant at) {
    const auto found = find(account, kind);
    if (found == account.active_alarms.end()) return;
    Alarm alarm = *found;
    account.active_alarms.erase(found);
    tickledger::clear(alarm, std::max(at, alarm.raised_at));
    kept(ledger_.put_alarm(account.key, alarm));
    tell(account, alarm);
}

void AlarmDesk::tell(const Account& account, const Alarm& alarm) {
    const std::string topic = "meters/" + account.settings.id + "/alarms/" + std::string(name_of(alarm.kind));
    outbox_.publish(topic, alarm_document(alarm, account.settings.id, zone_), true);
}

}  // namespace tickledger
