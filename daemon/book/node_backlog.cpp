#include "book/node_backlog.hpp"

#include <algorithm>
#include <utility>

namespace tickledger {

namespace {

/// Whether the readings have come like this for a whole cadence.
bool lasts(const NodeBacklog& backlog, Duration cadence) {
    const auto& readings = backlog.readings;
    return readings.back().message.arrived_at - readings.front().message.arrived_at >= cadence;
}

}  // namespace

bool is_burst_with(const NodeBacklog& backlog, Instant arrived_at, Duration cadence) {
    if (backlog.readings.empty()) return false;
    const Duration pause = arrived_at - backlog.readings.back().message.arrived_at;
    return pause >= Duration{0} && pause < cadence / 2;
}

bool may_go_on(const Account& account) {
    const NodeBacklog& backlog = *account.memory().backlog;
    if (!backlog.is_burst) return false;
    if (!lasts(backlog, account.rules.cadence)) return true;
    const Observation* known = newest(account.memory().counter);
    if (account.memory().speaks_faster || !known) return false;
    const Duration gathered_in = backlog.readings.back().message.arrived_at - known->earliest();
    // Twice as many as the cadence gives, because some may have been sent twice.
    const auto most = static_cast<std::uint64_t>(std::max<Duration::rep>(
        2 * gathered_in.count() / std::max<Duration::rep>(account.rules.cadence.count(), 1), 0));
    return backlog.booked + backlog.readings.size() <= most + 2;
}

void note_pace(AccountMemory& memory, const std::optional<Observation>& before, const CounterRules& rules) {
    const auto& last = memory.counter.last;
    // A reading that hurries after a backlog says nothing about the pace, nor does one after a silence.
    if (!before || !last || last->tells_time() || before->time_estimated || last->hurry_from != Instant{})
        return;
    const Duration pause = last->arrived_at - before->arrived_at;
    if (pause < Duration{0} || pause > rules.silence()) return;
    memory.speaks_faster = pause < rules.cadence / 2;
}

bool must_be_kept(const Account& account, Instant arrived_at) {
    const auto& backlog = account.memory().backlog;
    if (backlog && !backlog->readings.empty()) return true;
    // Before the very first reading nothing shows a silence; see Observation::no_earlier.
    const CounterState& counter = account.memory().counter;
    const Observation* known = newest(counter);
    if (!known) return false;
    // An old message that comes again ends no silence, because a held reading is believed only by what
    // follows it.
    const bool is_held_in_silence =
        counter.held && counter.last &&
        counter.held->observation.arrived_at - counter.last->arrived_at > account.rules.silence();
    if (is_held_in_silence) known = &*counter.last;
    const bool follows_burst = backlog && backlog->follows_burst && known->time_estimated;
    const Instant heard_at = backlog && backlog->silent_since ? *backlog->silent_since : known->arrived_at;
    return follows_burst || arrived_at - heard_at > account.rules.silence();
}

void pass_over_copy(Account& account, const std::optional<Observation>& before, Instant arrived_at) {
    auto& backlog = account.memory().backlog;
    if (!before || (backlog && backlog->silent_since)) return;
    if (arrived_at - before->arrived_at <= account.rules.silence()) return;
    if (!backlog) backlog.emplace();
    backlog->silent_since = before->arrived_at;
}

bool keep(Account& account, const Reading& reading, HeldMessage message) {
    auto& backlog = account.memory().backlog;
    if (!backlog) backlog.emplace();
    const Observation* known = newest(account.memory().counter);
    const bool goes_on = backlog->readings.empty()
                             ? backlog->follows_burst && known && known->time_estimated &&
                                   message.arrived_at - known->arrived_at < account.rules.cadence / 2
                             : is_burst_with(*backlog, message.arrived_at, account.rules.cadence);
    backlog->is_burst = backlog->is_burst || goes_on;
    backlog->readings.push_back({reading, std::move(message)});
    account.is_changed = true;
    return backlog->readings.size() >= node_backlog_max || lasts(*backlog, account.rules.cadence);
}

std::optional<Instant> node_backlog_deadline(const Account& account) {
    const auto& backlog = account.memory().backlog;
    if (!backlog || backlog->readings.empty()) return std::nullopt;
    return backlog->readings.back().message.arrived_at + account.rules.cadence / 2;
}

}  // namespace tickledger
