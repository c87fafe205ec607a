#include "book/deadlines.hpp"

#include <algorithm>

#include "book/node_backlog.hpp"

namespace tickledger {

namespace {

std::optional<Instant> earlier(std::optional<Instant> a, std::optional<Instant> b) {
    if (!a || !b) return a ? a : b;
    return std::min(*a, *b);
}

/// When the oldest open interval closes if nothing is booked after it.
std::optional<Instant> closing_deadline(Account& account) {
    if (!account.memory().closed_until) return std::nullopt;
    return account.rows.row_at(Step::interval, *account.memory().closed_until).to +
           account.settings.alarms.silent_after;
}

/// Whether nothing is booked in the open interval or later: booked spans, and adjustments to readings by eye,
/// end before it.
bool is_silent(const AccountMemory& memory) {
    const auto ends_before = [&](const std::optional<Instant>& t) {
        return !t || *t <= *memory.closed_until;
    };
    return memory.counter.last && ends_before(memory.counter.last->at) &&
           ends_before(memory.meter_register.read_by_eye_at);
}

}  // namespace

std::optional<Instant> Deadlines::next_of(Account& account) const {
    const auto of_book = earlier(closing_deadline(account), node_backlog_deadline(account));
    const auto of_watches = earlier(NightWatch::deadline(account), watches_.silence.deadline(account));
    return earlier(earlier(of_book, of_watches), AlarmDesk::deadline(account));
}

void Deadlines::schedule(Account& account) {
    const auto deadline = next_of(account);
    if (!deadline) return;
    // Deadlines mostly move to later. A place in the schedule that is too early is corrected when it comes
    // up.
    if (account.scheduled_at && *account.scheduled_at <= *deadline) return;
    account.scheduled_at = deadline;
    schedule_.emplace(*deadline, account.key);
}

void Deadlines::schedule_all() {
    accounts_.for_each([&](Account& account) {
        const bool was_asleep = !account.is_awake();
        schedule(account);
        if (was_asleep) account.sleep();
    });
}

void Deadlines::meet_until(Instant moment) {
    while (has_any_until(moment)) {
        const auto [deadline, key] = schedule_.top();
        schedule_.pop();
        Account& account = *accounts_.find(key);
        if (account.scheduled_at != deadline) continue;
        account.scheduled_at.reset();
        if (next_of(account) == deadline) meet(account, deadline, moment);
        schedule(account);
    }
}

void Deadlines::meet(Account& account, Instant deadline, Instant until) {
    ++met_;
    account.is_changed = true;
    // First books what was heard until now.
    if (node_backlog_deadline(account) == deadline) messages_.settle_backlog(account);
    // Readings that are still kept must be booked before the clock passes their deadline.
    if (const auto backlog = node_backlog_deadline(account))
        until = std::max(deadline, std::min(until, *backlog - Duration{1}));
    if (closing_deadline(account) == deadline) close_intervals(account, until);
    if (NightWatch::deadline(account) == deadline) watches_.night.pass(account, until);
    if (watches_.silence.deadline(account) == deadline) watches_.silence.raise(account, deadline);
    // Last, so that an alarm that is raised at this very moment is published in its final state.
    desk_.end_shelvings(account, deadline);
}

void Deadlines::close_intervals(Account& account, Instant until) {
    if (is_silent(account.memory())) {
        const Instant passed = until - account.settings.alarms.silent_after;
        // Nothing was booked into any of these intervals, so only the last day is published.
        posting_.close_until(account, account.rows.row_at(Step::interval, passed).from, false);
    } else {
        posting_.close_until(account, account.rows.row_at(Step::interval, *account.memory().closed_until).to);
    }
}

}  // namespace tickledger
