// Booking starts here: decides whether a reading is new, and which rules book it.

#include "tickledger/counter.hpp"

#include <algorithm>

#include "core/booking.hpp"

namespace tickledger {

std::string_view name_of(Refusal refusal) {
    switch (refusal) {
        case Refusal::none:
            return "none";
        case Refusal::stray:
            return "stray";
        case Refusal::late:
            return "late";
        case Refusal::unreadable:
            return "unreadable";
    }
    return "unknown";
}

namespace {

bool repeats(const Observation& known, const Observation& observation, const CounterRules& rules) {
    if (observation.boot && observation.seq)
        return known.boot == observation.boot && known.seq == observation.seq;
    if (observation.seq) return known.seq == observation.seq && known.count == observation.count;
    // Given for the same moment, or at the same place in the record.
    const bool same_time =
        observation.tells_time() ? known.at == observation.at : known.arrived_at == observation.arrived_at;
    return same_time && known.count == observation.count && !booking::restart_told(known, observation, rules);
}

/// A message without a boot, with an older number than the last accepted one, of a node that has run since
/// before that one.
bool is_older_of_same_run(const Observation& last, const Observation& observation,
                          const CounterRules& rules) {
    if (observation.boot || !observation.seq || !last.seq || !observation.uptime) return false;
    return rules.seq_distance(*last.seq, *observation.seq) < 0 &&
           *observation.uptime >
               booking::longest_between(last, observation, rules) + booking::start_tolerance;
}

/// How much later the node sent the observation by its own clock, which the server need not believe. Within
/// one start this gives the order of messages without numbers. A clock that was never set may stand still and
/// shows nothing.
std::optional<Duration> later_by_node(const Observation& than, const Observation& observation) {
    if (observation.boot != than.boot || observation.seq || !observation.node_time || !than.node_time)
        return std::nullopt;
    if (std::min(*observation.node_time, *than.node_time) < booking::clocks_begin) return std::nullopt;
    return *observation.node_time - *than.node_time;
}

/// No boot is given. The count and the saved count are the same, and the uptime is longer by no more than the
/// time that passed. So it was sent later in the same start. It adds no tick but shows how long the node has
/// run.
bool has_run_longer(const Observation& last, const Observation& observation) {
    if (observation.boot || !observation.saved || !observation.uptime || !last.uptime) return false;
    return observation.count == last.count && observation.saved == last.saved &&
           *observation.uptime > *last.uptime &&
           *observation.uptime - *last.uptime <= observation.arrived_at - booking::sent_from(last);
}

bool is_newer_of_same_boot(const Observation& last, const Observation& observation,
                           const CounterRules& rules) {
    if (observation.boot != last.boot || !observation.seq || !last.seq) return false;
    const std::int64_t ahead = rules.seq_distance(*last.seq, *observation.seq);
    // If no boot is given, a number far ahead may be one of the start before.
    return ahead > 0 && (observation.boot || ahead <= booking::consecutive_most);
}

/// The message is not an old one, although its count is not greater and it waited.
bool shows_news(const Observation& last, const Observation& observation, const CounterRules& rules) {
    const bool has_other_boot = observation.boot && last.boot && observation.boot != last.boot;
    const bool saved_more = observation.saved && last.saved && *observation.saved != *last.saved &&
                            rules.count_not_after(*last.saved, *observation.saved);
    const auto later = later_by_node(last, observation);
    return has_other_boot || is_newer_of_same_boot(last, observation, rules) || saved_more ||
           has_run_longer(last, observation) || (later && *later > Duration{0});
}

/// A count that is not greater than the last one, and from before it. If a new message is taken for an old
/// one here, no ticks are lost: the next message contains them too.
bool is_old_count(const Observation& last, const Observation& observation, const Circumstances& came,
                  const CounterRules& rules) {
    if (!rules.count_not_after(observation.count, last.count)) return false;
    if (came.retained && observation.count != last.count) return true;
    if (observation.tells_time()) return false;
    const auto later = later_by_node(last, observation);
    if (later && *later <= Duration{0} && observation.boot) return true;
    // A message that waited may be any earlier one.
    return came.waited && !shows_news(last, observation, rules);
}

/// By its number, its moment or its uptime, the message was accepted before or is held.
bool is_known(const CounterState& state, const Observation& observation, const Circumstances& came,
              const CounterRules& rules) {
    if (came.already_accepted) return true;
    if (state.held && repeats(state.held->observation, observation, rules)) return true;
    return state.last && (repeats(*state.last, observation, rules) ||
                          is_older_of_same_run(*state.last, observation, rules));
}

/// docs/ledger.md, "repeat".
bool is_repeat(const CounterState& state, const Observation& observation, const Circumstances& came,
               const CounterRules& rules) {
    if (is_known(state, observation, came, rules)) return true;
    // Nobody asked for the broker's retained copy: it may be of any age.
    if (rules.pulses) return came.retained && !(observation.boot && observation.seq);
    return state.last && is_old_count(*state.last, observation, came, rules);
}

/// Only its place in the record shows when it was, and that is before the last accepted message: the record
/// is being read again.
bool is_from_earlier_record(const CounterState& state, const Observation& observation) {
    return !observation.tells_time() && observation.arrived_at < state.last->arrived_at;
}

bool is_late(const CounterState& state, const Observation& observation, const Circumstances& came,
             const CounterRules& rules) {
    if (!state.last) return false;
    if (came.boot_already_left || observation.at < state.last->at) return true;
    if (is_from_earlier_record(state, observation)) return true;
    return observation.boot && state.last->boot == observation.boot && observation.seq && state.last->seq &&
           rules.seq_distance(*state.last->seq, *observation.seq) < 0;
}

}  // namespace

const Observation* newest(const CounterState& state) {
    if (state.held) return &state.held->observation;
    return state.last ? &*state.last : nullptr;
}

Booking book(CounterState& state, const Reading& reading, const Circumstances& came,
             const CounterRules& rules) {
    Booking booking;
    const Observation observation = booking::observation_of(state, reading, came, rules, booking);
    if (is_repeat(state, observation, came, rules)) return booking;
    if (is_late(state, observation, came, rules)) {
        booking.outcome = Outcome::late;
        if (observation.tells_time()) {
            booking.late_at = reading.time;
        } else if (is_from_earlier_record(state, observation)) {
            booking.late_at = observation.arrived_at;
        }
        return booking;
    }
    if (rules.pulses) {
        booking::book_pulses(state, observation, came, rules, booking);
    } else {
        booking::book_count(state, observation, came, rules, booking);
    }
    return booking;
}

std::optional<Entry> held_entry(const CounterState& state) {
    if (!state.held || !state.last) return std::nullopt;
    return Entry{.span = {state.last->at, state.held->observation.at},
                 .kind = EntryKind::held,
                 .begin_count = state.last->count,
                 .end = booking::mark_of(state.held->observation)};
}

}  // namespace tickledger
