#include "book/node_backlog.hpp"

#include <utility>

namespace tickledger {

namespace {

Duration silence(const Account& account) {
    return account.rules.cadence * 3 / 2;
}

}  // namespace

bool is_burst_with(const NodeBacklog& backlog, Instant arrived_at, Duration cadence) {
    if (backlog.readings.empty()) return false;
    const Duration pause = arrived_at - backlog.readings.back().message.arrived_at;
    return pause >= Duration{0} && pause < cadence / 2;
}

bool speaks_faster(const NodeBacklog& backlog, Duration cadence) {
    const auto& readings = backlog.readings;
    return readings.back().message.arrived_at - readings.front().message.arrived_at >= cadence;
}

bool must_be_kept(const Account& account, Instant arrived_at) {
    const auto& backlog = account.memory.backlog;
    if (backlog && !backlog->readings.empty()) return true;
    // Before the very first reading nothing tells of a silence; see Observation::no_earlier.
    const Observation* known = newest(account.memory.counter);
    if (!known) return false;
    const bool follows_burst = backlog && backlog->follows_burst && known->time_estimated;
    return follows_burst || arrived_at - known->arrived_at > silence(account);
}

bool keep(Account& account, const Reading& reading, HeldMessage message) {
    auto& backlog = account.memory.backlog;
    if (!backlog) backlog.emplace();
    const Observation* known = newest(account.memory.counter);
    const bool goes_on = backlog->readings.empty()
                             ? backlog->follows_burst && known && known->time_estimated &&
                                   message.arrived_at - known->arrived_at < account.rules.cadence / 2
                             : is_burst_with(*backlog, message.arrived_at, account.rules.cadence);
    backlog->is_burst = backlog->is_burst || goes_on;
    backlog->readings.push_back({reading, std::move(message)});
    account.is_changed = true;
    return backlog->readings.size() >= node_backlog_max || speaks_faster(*backlog, account.rules.cadence);
}

std::optional<Instant> node_backlog_deadline(const Account& account) {
    const auto& backlog = account.memory.backlog;
    if (!backlog || backlog->readings.empty()) return std::nullopt;
    return backlog->readings.back().message.arrived_at + account.rules.cadence / 2;
}

}  // namespace tickledger
