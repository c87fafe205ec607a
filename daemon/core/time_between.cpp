// The time that a gain is checked against (docs/ledger.md, "The time that a gain is checked against").
#include <algorithm>

#include "core/booking.hpp"

namespace tickledger::booking {

namespace {

constexpr Duration set_back_longest = std::chrono::hours{64};
/// No bound. It is the least Duration, so std::max ignores it.
constexpr Duration no_bound = Duration::min();

bool is_same_boot(const Observation& from, const Observation& to) {
    return from.boot && from.boot == to.boot;
}

/// Both give a boot, and they differ.
bool is_other_boot(const Observation& from, const Observation& to) {
    return from.boot && to.boot && from.boot != to.boot;
}

Duration pause_between(const Observation& from, const Observation& to) {
    return to.arrived_at - from.arrived_at;
}

/// The message before it may have waited since an earlier moment than its own.
bool may_have_waited(const Observation& from, const Observation& to, const CounterRules& rules) {
    if (from.time_estimated) return true;
    if (from.no_earlier == Instant{}) return false;
    // Within one start, a large gain is believed only in the first half cadence of a burst: the next message
    // contains the ticks of those before it.
    const bool just_hurries =
        from.hurry_from == Instant{} || from.arrived_at - from.hurry_from < rules.cadence / 2;
    if (comes_early(from, to, rules) && just_hurries) return true;
    // If an earlier start was not heard to its end, it may have gone on through the silence after it.
    return is_other_boot(from, to) && from.at - from.no_earlier > rules.silence();
}

Duration by_moments(const Observation& from, const Observation& to, const CounterRules& rules) {
    const bool may_be_earlier = may_have_waited(from, to, rules);
    return to.latest() - (may_be_earlier ? std::min(from.no_earlier, from.at) : from.at);
}

/// However close two messages come, their numbers and uptimes show how far apart they were sent. Within one
/// given boot this holds over any number of messages.
Duration by_numbers_and_uptimes(const Observation& from, const Observation& to, const CounterRules& rules) {
    if (is_same_boot(from, to)) {
        const Duration apart = sent_apart(from, to, one_start_longest, rules);
        if (!from.tells_time() || !to.tells_time()) return apart;
        // Both give believed times, so the node's clock was set back in between: by no more than the time
        // between the arrivals or, if they had waited, two minutes.
        const Duration pause = pause_between(from, to);
        const bool had_waited = to.arrived_at - to.at > rules.cadence;
        return std::min(apart, had_waited ? std::max(pause, to.at - from.at + clock_tolerance) : pause);
    }
    if (comes_early(from, to, rules) && from.boot == to.boot)
        return sent_apart(from, to, rules.cadence * consecutive_most, rules);
    return no_bound;
}

/// Without numbers, messages that had waited are a cadence apart: the readings of a queue, and a message that
/// waited since before the node's last start and comes between those of the new start.
Duration by_cadence(const Observation& from, const Observation& to, const CounterRules& rules) {
    const bool is_in_queue = to.hurried > 1 && from.boot == to.boot;
    const bool is_from_before = comes_early(from, to, rules) && is_other_boot(from, to);
    return is_in_queue || is_from_before ? rules.cadence : no_bound;
}

Duration by_node_clock(const Observation& from, const Observation& to, const CounterRules& rules) {
    if (!from.node_time) return no_bound;
    const Duration pause = pause_between(from, to);
    const auto passed_by_node =
        to.node_time ? std::optional<Duration>(*to.node_time - *from.node_time) : std::nullopt;
    if (to.tells_time()) {
        // A clock that is behind is believed again once it has passed the last arrival, though it is no more
        // right than before.
        const bool was_disbelieved = !from.tells_time();
        return was_disbelieved ? std::min(pause, *passed_by_node) : no_bound;
    }
    if (!passed_by_node) return pause;
    // A node's clock may be set, rightly or wrongly, between two messages. Within one start their numbers
    // limit how long that time was. Otherwise no more is believed than a server's clock may have been set
    // back by.
    const Duration most =
        longest_by_numbers(from, to, rules).value_or(std::max(pause, Duration{0}) + set_back_longest);
    return std::max(pause, std::min(*passed_by_node, most));
}

}  // namespace

bool comes_early(const Observation& from, const Observation& to, const CounterRules& rules) {
    const Duration pause = pause_between(from, to);
    return !to.tells_time() && pause >= Duration{0} && pause < rules.cadence / 2;
}

Duration sent_apart(const Observation& from, const Observation& to, Duration most,
                    const CounterRules& rules) {
    Duration apart{0};
    if (from.seq && to.seq && rules.cadence > Duration{0}) {
        const std::int64_t ahead = rules.seq_distance(*from.seq, *to.seq);
        if (ahead > 0 && ahead <= most / rules.cadence) apart = rules.cadence * ahead;
    }
    if (from.uptime && to.uptime)
        apart = std::max(apart, std::min<Duration>(*to.uptime - *from.uptime, most));
    return apart;
}

Duration longest_between(const Observation& from, const Observation& to, const CounterRules& rules) {
    return std::max({by_moments(from, to, rules), by_numbers_and_uptimes(from, to, rules),
                     by_cadence(from, to, rules), by_node_clock(from, to, rules)});
}

std::optional<Duration> longest_by_numbers(const Observation& from, const Observation& to,
                                           const CounterRules& rules) {
    if (!is_same_boot(from, to) || !from.seq || !to.seq || rules.cadence <= Duration{0}) return std::nullopt;
    const std::int64_t ahead = std::max<std::int64_t>(rules.seq_distance(*from.seq, *to.seq), 1);
    return ahead < one_start_longest / rules.silence() ? rules.silence() * ahead : one_start_longest;
}

}  // namespace tickledger::booking
