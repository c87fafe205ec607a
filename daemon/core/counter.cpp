// Booking begins here: when a reading counts, whether it is news, and what decides about it.

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

namespace booking {

bool restart_told(const Observation& from, const Observation& to) {
    if (from.boot && to.boot) return *from.boot != *to.boot;
    return from.uptime && to.uptime && *to.uptime < *from.uptime;
}

bool passes_over_held(const CounterState& state, const Observation& observation, const CounterRules& rules) {
    const Observation& held = state.held->observation;
    if (!observation.boot) return false;
    if (observation.boot != held.boot) return observation.boot == state.last->boot;
    return observation.seq && held.seq && rules.seq_distance(*held.seq, *observation.seq) < 0;
}

Mark mark_of(const Observation& observation) {
    return {observation.count, observation.boot.value_or(0), observation.seq.value_or(0)};
}

Observation carried_on(const Observation& before, Observation to) {
    if (!to.boot) to.boot = before.boot;
    if (!to.uptime && !restart_told(before, to)) to.uptime = before.uptime;
    return to;
}

Entry uncertain(Entry entry, const CounterRules& rules) {
    const std::uint64_t possible = rules.plausible_max(entry.span.length());
    const auto booked = static_cast<std::uint64_t>(entry.ticks);
    entry.unseen_max = possible > booked ? possible - booked : 0;
    return entry;
}

}  // namespace booking

namespace {

using std::chrono::minutes;

// A node that tells an earlier year has no clock, or an unset one.
constexpr Instant clocks_begin = std::chrono::sys_days{std::chrono::year{2001} / 1 / 1};
constexpr Duration clock_tolerance = minutes{2};

/// The observation that a new one is measured against in time and order: what is held, else what was
/// accepted.
const Observation* newest(const CounterState& state) {
    if (state.held) return &state.held->observation;
    return state.last ? &*state.last : nullptr;
}

bool is_newer(const Reading& reading, const Observation& than, const Circumstances& came,
              const CounterRules& rules) {
    const bool other_boot = reading.boot && than.boot && *reading.boot != *than.boot;
    if (other_boot) return !came.boot_already_left;
    return reading.seq && than.seq && rules.seq_distance(*than.seq, *reading.seq) > 0;
}

/// The node's own time is out of the question, whatever is known of the meter.
bool is_absurd(Instant time, const Circumstances& came) {
    return time > came.arrived_at + clock_tolerance || time < clocks_begin;
}

/// Where a message that had waited is placed: by the cadence back from its arrival or, where the messages are
/// too many for that, evenly from the last known moment on.
Instant estimated_at(const Observation* known, const Circumstances& came, const CounterRules& rules) {
    if (!known) return came.arrived_at - rules.cadence * came.behind;
    const Duration room = std::max(came.arrived_at - known->at, Duration{0});
    const Duration spacing = std::min(rules.cadence, room / (came.behind + 1));
    return std::max(came.arrived_at - spacing * came.behind, known->at);
}

/// Fixes the moment that the reading counts for.
Observation observation_of(const CounterState& state, const Reading& reading, const Circumstances& came,
                           const CounterRules& rules, Booking& booking) {
    Observation observation{.at = {},
                            .count = reading.count,
                            .boot = reading.boot,
                            .seq = reading.seq,
                            .saved = reading.saved,
                            .uptime = reading.uptime,
                            .time_estimated = false,
                            .arrived_at = came.arrived_at,
                            .no_earlier = {},
                            .node_time = reading.time};
    const Observation* known = newest(state);
    const Instant floor = known ? known->at : Instant::min();
    // What is held is in no order yet: a message between it and the last accepted one is newer than that.
    const auto runs_back = [&](const Observation& than) {
        return *reading.time < than.at && is_newer(reading, than, came, rules);
    };
    booking.clock_disbelieved =
        reading.time && (is_absurd(*reading.time, came) || (known && runs_back(*known)) ||
                         (state.last && runs_back(*state.last)));
    if (reading.time && !booking.clock_disbelieved) {
        observation.at = *reading.time;
    } else {
        // A time that is not believed is no time: a whole backlog of such messages did not run within its
        // milliseconds.
        observation.at = came.waited ? estimated_at(known, came, rules) : std::max(came.arrived_at, floor);
        observation.time_estimated = came.waited;
        // Where a backlog was interrupted, the last message of its first part was placed at its arrival,
        // though it had waited as long as those after it.
        if (observation.time_estimated) observation.no_earlier = known ? known->earliest() : observation.at;
    }
    return observation;
}

bool repeats(const Observation& known, const Observation& observation, bool tells_time,
             const CounterRules& rules) {
    if (observation.boot && observation.seq)
        return known.boot == observation.boot && known.seq == observation.seq;
    if (observation.seq) return known.seq == observation.seq && known.count == observation.count;
    // Pulses that carry neither a number nor a time can not be told from the next ones like them.
    if (rules.pulses && !tells_time) return false;
    return known.count == observation.count && observation.at <= known.at &&
           !booking::restart_told(known, observation);
}

bool is_repeat(const CounterState& state, const Reading& reading, const Observation& observation,
               const Circumstances& came, const CounterRules& rules) {
    if (came.already_accepted) return true;
    const bool tells_time = reading.time.has_value();
    if (state.last && repeats(*state.last, observation, tells_time, rules)) return true;
    if (state.held && repeats(state.held->observation, observation, tells_time, rules)) return true;
    if (rules.pulses) {
        // The broker's retained copy was the answer to nobody's question: it may be of any age.
        return came.retained && !(reading.boot && reading.seq);
    }
    if (!state.last) return false;
    if (came.retained && observation.count < state.last->count) return true;
    return came.waited && !reading.time && observation.count <= state.last->count &&
           !booking::restart_told(*state.last, observation);
}

bool is_late(const CounterState& state, const Observation& observation, const Circumstances& came,
             const CounterRules& rules) {
    if (!state.last) return false;
    if (came.boot_already_left || observation.at < state.last->at) return true;
    return observation.boot && state.last->boot == observation.boot && observation.seq && state.last->seq &&
           rules.seq_distance(*state.last->seq, *observation.seq) < 0;
}

}  // namespace

Booking book(CounterState& state, const Reading& reading, const Circumstances& came,
             const CounterRules& rules) {
    Booking booking;
    const Observation observation = observation_of(state, reading, came, rules, booking);
    if (is_repeat(state, reading, observation, came, rules)) return booking;
    if (is_late(state, observation, came, rules)) {
        booking.outcome = Outcome::late;
        if (reading.time && !booking.clock_disbelieved) booking.late_at = reading.time;
        return booking;
    }
    if (rules.pulses) {
        booking::book_pulses(state, observation, rules, booking);
    } else {
        booking::book_count(state, observation, rules, booking);
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
