#include "book/resumed_boot.hpp"

#include "book/store_failure.hpp"

namespace tickledger {

namespace {

// The replacing boot may have made at most so many entries, and at most so many as a running node makes them:
// measured, not estimated, at least half a cadence long.
constexpr int entries_overlooked = 16;
constexpr int timely_overlooked = 1;

/// More numbers have passed since the boot's last entry than a running node sends in that time. Twice as many
/// are allowed, because it may send a little faster than its cadence.
bool is_from_queue(const Account& account, const Entry& last, std::uint64_t seq, Instant arrived_at) {
    if (account.memory().speaks_faster || account.rules.cadence <= Duration{0}) return false;
    const std::int64_t most = 2 * ((arrived_at - last.span.to) / account.rules.cadence) + 2;
    return account.rules.seq_distance(last.end.seq, seq) > most;
}

/// The numbers right after `entry` arrived later than `next`. So `next` overtook a queue and was live.
bool overtook_queue(Ledger& ledger, const Account& account, const Entry& entry, const Entry& next) {
    const CounterRules& rules = account.rules;
    if (entry.end.boot != next.end.boot || rules.seq_distance(entry.end.seq, next.end.seq) <= 3) return false;
    const std::uint64_t after = rules.seq_after(entry.end.seq);
    const auto came = [&](std::uint64_t seq) {
        return !value_or_throw(ledger.in_gap(account.key, entry.end.boot, seq));
    };
    return came(after) && came(rules.seq_after(after));
}

}  // namespace

bool may_resume(const Account& account, const Reading& reading, const Circumstances& came) {
    if (account.rules.pulses || !came.boot_already_left || came.already_accepted) return false;
    if (came.waited || came.retained || !reading.boot || !reading.seq) return false;
    // What the node still had to send of a start that it did leave comes sooner, or beside the new start's
    // messages.
    return came.arrived_at - newest(account.memory().counter)->arrived_at > account.rules.silence();
}

std::optional<Observation> resumed_boot(Ledger& ledger, const Account& account, const Reading& reading,
                                        const Circumstances& came) {
    const CounterState& state = account.memory().counter;
    if (!may_resume(account, reading, came)) return std::nullopt;
    if (account.memory().backlog && !account.memory().backlog->readings.empty()) return std::nullopt;
    const bool is_of_before = reading.time && tells_believed_time(state, reading, came, account.rules) &&
                              *reading.time < newest(state)->at;
    if (is_of_before) return std::nullopt;
    const auto boot = value_or_throw(ledger.boot(account.key, *reading.boot));
    const bool goes_on =
        boot && boot->last_seq && account.rules.seq_distance(*boot->last_seq, *reading.seq) > 0;
    if (!goes_on) return std::nullopt;
    auto entry = value_or_throw(ledger.entry_before(account.key, state.last->at));
    int timely = 0;
    for (int left = entries_overlooked; entry && entry->end.boot != *reading.boot; --left) {
        const bool is_timely = entry->kind == EntryKind::measured && !entry->time_estimated &&
                               entry->span.length() >= account.rules.cadence / 2;
        if (is_timely) ++timely;
        if (left == 0 || timely > timely_overlooked) return std::nullopt;
        const Entry next = *entry;
        entry = value_or_throw(ledger.entry_before(account.key, entry->span.from));
        if (entry && overtook_queue(ledger, account, *entry, next)) return std::nullopt;
    }
    if (!entry || is_from_queue(account, *entry, *reading.seq, came.arrived_at)) return std::nullopt;
    Observation last = *state.last;
    last.count = entry->end.count;
    last.boot = reading.boot;
    last.seq = boot->last_seq;
    last.saved.reset();
    last.uptime.reset();
    // The node ran all the time since then.
    last.time_estimated = true;
    last.no_earlier = entry->span.to;
    return last;
}

}  // namespace tickledger
