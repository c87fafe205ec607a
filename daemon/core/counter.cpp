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

bool restart_told(const Observation& from, const Observation& to, const CounterRules& rules) {
    if (from.boot && to.boot) return *from.boot != *to.boot;
    const bool fell = from.uptime && to.uptime && *to.uptime < *from.uptime;
    return fell && *to.uptime <= rules.longest(from, to) + start_tolerance;
}

ToHeld to_held(const CounterState& state, std::optional<std::uint64_t> boot, std::optional<std::uint64_t> seq,
               const CounterRules& rules) {
    if (!state.last || !state.held) return ToHeld::may_follow;
    const Observation& last = *state.last;
    const Observation& held = state.held->observation;
    const auto is_before = [&](std::optional<std::uint64_t> one, std::optional<std::uint64_t> other) {
        return one && other && rules.seq_distance(*other, *one) < 0;
    };
    if (boot && boot == held.boot) return is_before(seq, held.seq) ? ToHeld::before : ToHeld::may_follow;
    const bool is_beside =
        boot ? boot == last.boot
             : is_before(held.seq, last.seq) && seq && rules.seq_distance(*last.seq, *seq) > 0;
    return is_beside ? ToHeld::beside : ToHeld::may_follow;
}

bool passes_over_held(const CounterState& state, const Observation& observation, const CounterRules& rules) {
    return observation.boot && to_held(state, observation.boot, observation.seq, rules) != ToHeld::may_follow;
}

Mark mark_of(const Observation& observation) {
    return {observation.count, observation.boot.value_or(0), observation.seq.value_or(0)};
}

Observation carried_on(const Observation& before, Observation to, const CounterRules& rules) {
    if (!to.boot) to.boot = before.boot;
    if (!to.uptime && !restart_told(before, to, rules)) to.uptime = before.uptime;
    return to;
}

Instant sent_from(const Observation& observation) {
    const bool hurries = observation.hurry_from != Instant{};
    return observation.no_earlier == Instant{} || hurries ? observation.at : observation.no_earlier;
}

Duration longest_unseen(const Observation& from, const Observation& to, const CounterRules& rules) {
    return std::max(rules.longest(from, to), to.latest() - sent_from(from));
}

Entry uncertain(Entry entry, Duration longest, const CounterRules& rules) {
    const std::uint64_t possible = rules.plausible_max(std::max(longest, entry.span.length()));
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

bool is_newer(const Reading& reading, const Observation& than, const Circumstances& came,
              const CounterRules& rules) {
    if (came.boot_already_left) return false;
    const bool other_boot = reading.boot && than.boot && *reading.boot != *than.boot;
    if (other_boot) return true;
    // It had run longer by then than time has passed: so it was in an earlier start, which no boot tells.
    const bool is_of_earlier_start =
        !reading.boot && reading.uptime && than.uptime && than.tells_time() &&
        *reading.uptime - *than.uptime > came.arrived_at - than.at + clock_tolerance;
    if (is_of_earlier_start) return false;
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

/// The moment at which the observation was sent at the earliest, where an uptime tells that it had waited or
/// goes on doing so. A node whose uptime does not count all of its time tells nothing.
std::optional<Instant> sent_by_uptime(const Observation& known, const Observation& observation,
                                      const CounterRules& rules) {
    const bool is_one_boot = known.boot && known.boot == observation.boot;
    if (!is_one_boot || !known.uptime || !observation.uptime) return std::nullopt;
    const Duration ran = *observation.uptime - *known.uptime;
    if (ran < rules.cadence / 2) return std::nullopt;
    const Instant sent = std::min(booking::sent_from(known) + ran, observation.at);
    const bool went_on_waiting = !known.time_estimated && booking::sent_from(known) < known.at;
    const Instant latest = went_on_waiting ? sent : known.latest() + ran;
    if (observation.at - latest <= booking::start_tolerance) return std::nullopt;
    return sent;
}

/// The first word of a start that comes right behind a message which had waited: it had waited too.
bool waited_behind_start(const Observation& known, const Observation& observation,
                         const CounterRules& rules) {
    const bool is_other_start = known.boot && observation.boot && known.boot != observation.boot;
    return is_other_start && observation.arrived_at - known.arrived_at < rules.cadence / 2 &&
           booking::sent_from(known) < known.at;
}

/// More of a queue that may have waited: the message comes within half a cadence of the queue's first, or the
/// queue comes in clusters, each later than that, but still twice as fast as the node speaks. It takes no
/// longer to come than it had waited: a node that always speaks so fast is in no hurry.
bool goes_on_hurrying(const Observation& known, const Observation& observation, const CounterRules& rules) {
    if (known.hurry_from == Instant{}) return false;
    const Duration hurries = observation.arrived_at - known.hurry_from;
    if (hurries < rules.cadence / 2) return true;
    const bool is_silent = observation.arrived_at - known.arrived_at > rules.silence();
    const bool is_fast = hurries < rules.cadence / 2 * known.hurried;
    return !is_silent && is_fast && hurries < known.hurry_from - known.no_earlier;
}

/// Tells since when what the next message tells may have run, where that is earlier than this one's moment.
/// Where a backlog was interrupted, or told late that it was one, the last message before was dated by its
/// arrival, though it had waited as long as those after it.
void tell_hurry(const Observation* known, Observation& observation, const CounterRules& rules) {
    if (observation.time_estimated) {
        observation.no_earlier =
            known ? std::min(booking::sent_from(*known), observation.at) : observation.at;
        return;
    }
    if (!known) {
        // The very first may have waited itself; how long, nothing tells. The node speaks once a cadence.
        observation.no_earlier = observation.at - rules.silence();
        observation.hurry_from = observation.arrived_at;
        observation.hurried = 1;
        return;
    }
    const Duration pause = observation.arrived_at - known->arrived_at;
    if (pause < Duration{0}) return;
    if (known->time_estimated && pause <= rules.silence()) {
        observation.no_earlier = known->no_earlier;
        observation.hurry_from = observation.arrived_at;
        observation.hurried = 1;
    } else if (goes_on_hurrying(*known, observation, rules)) {
        observation.no_earlier = known->no_earlier;
        observation.hurry_from = known->hurry_from;
        observation.hurried = known->hurried + 1;
    } else if (waited_behind_start(*known, observation, rules)) {
        observation.no_earlier = booking::sent_from(*known);
    } else if (const auto sent = sent_by_uptime(*known, observation, rules)) {
        observation.no_earlier = *sent;
    } else if (pause > rules.silence()) {
        // The one message of a start may have waited since the silence began.
        observation.no_earlier = booking::sent_from(*known);
        observation.hurry_from = observation.arrived_at;
        observation.hurried = 1;
    }
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
                            .hurry_from = {},
                            .hurried = 0,
                            .node_time = reading.time};
    const Observation* known = newest(state);
    const Instant floor = known ? known->at : Instant::min();
    booking.clock_disbelieved = reading.time && !tells_believed_time(state, reading, came, rules);
    if (reading.time && !booking.clock_disbelieved) {
        observation.at = *reading.time;
    } else {
        // A time that is not believed is no time: a whole backlog of such messages did not run within its
        // milliseconds.
        observation.at = came.waited ? estimated_at(known, came, rules) : std::max(came.arrived_at, floor);
        observation.time_estimated = came.waited;
        tell_hurry(known, observation, rules);
    }
    return observation;
}

bool repeats(const Observation& known, const Observation& observation, const CounterRules& rules) {
    if (observation.boot && observation.seq)
        return known.boot == observation.boot && known.seq == observation.seq;
    if (observation.seq) return known.seq == observation.seq && known.count == observation.count;
    // What was told at the same moment, or stands at the same place of the record.
    const bool same_time =
        observation.tells_time() ? known.at == observation.at : known.arrived_at == observation.arrived_at;
    return same_time && known.count == observation.count && !booking::restart_told(known, observation, rules);
}

/// A message without a boot, older by its number than what was accepted, of a node that has run ever since.
bool is_older_of_same_start(const Observation& last, const Observation& observation,
                            const CounterRules& rules) {
    if (observation.boot || !observation.seq || !last.seq || !observation.uptime) return false;
    return rules.seq_distance(*last.seq, *observation.seq) < 0 &&
           *observation.uptime > rules.longest(last, observation) + booking::start_tolerance;
}

/// How much later the node sent the observation by its own clock, which the server need not believe: of one
/// start it tells the order where no numbers do. A clock that was never set may stand still, and tells none.
std::optional<Duration> later_by_node(const Observation& than, const Observation& observation) {
    if (observation.boot != than.boot || observation.seq || !observation.node_time || !than.node_time)
        return std::nullopt;
    if (std::min(*observation.node_time, *than.node_time) < clocks_begin) return std::nullopt;
    return *observation.node_time - *than.node_time;
}

bool is_repeat(const CounterState& state, const Reading& reading, const Observation& observation,
               const Circumstances& came, const CounterRules& rules) {
    if (came.already_accepted) return true;
    if (state.last && repeats(*state.last, observation, rules)) return true;
    if (state.held && repeats(state.held->observation, observation, rules)) return true;
    if (state.last && is_older_of_same_start(*state.last, observation, rules)) return true;
    if (rules.pulses) {
        // The broker's retained copy was the answer to nobody's question: it may be of any age.
        return came.retained && !(reading.boot && reading.seq);
    }
    if (!state.last) return false;
    const Observation& last = *state.last;
    const bool tells_no_more = rules.count_not_after(observation.count, last.count);
    if (came.retained && tells_no_more && observation.count != last.count) return true;
    if (observation.tells_time() || !tells_no_more) return false;
    // No new message is overlooked that tells ticks: the next one tells them too.
    const auto later = later_by_node(last, observation);
    if (later && *later <= Duration{0} && observation.boot) return true;
    // What waited may be any message from before.
    if (!came.waited) return false;
    const bool has_other_boot = observation.boot && last.boot && observation.boot != last.boot;
    const bool is_newer_of_same_boot = observation.boot && observation.boot == last.boot && observation.seq &&
                                       last.seq && rules.seq_distance(*last.seq, *observation.seq) > 0;
    return !has_other_boot && !is_newer_of_same_boot && !(later && *later > Duration{0});
}

/// Nothing tells when it was but its place in the record, and that lies before what was accepted: the record
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

bool tells_believed_time(const CounterState& state, const Reading& reading, const Circumstances& came,
                         const CounterRules& rules) {
    if (!reading.time || is_absurd(*reading.time, came)) return false;
    // What is held is in no order yet: a message between it and the last accepted one is newer than that.
    // What stands earlier in the record is not newer, whatever its number: the record is being read again.
    const auto runs_back = [&](const Observation& than) {
        return *reading.time < than.at && came.arrived_at >= than.arrived_at &&
               is_newer(reading, than, came, rules);
    };
    if (state.last && runs_back(*state.last)) return false;
    // What is older than the last accepted one by its time, and not newer, is late, whatever is held.
    const bool is_of_before = state.last && *reading.time <= state.last->at && !reading.boot;
    if (is_of_before || !state.held) return true;
    // Nor is what goes on with the start of the last accepted one newer than the word of another start.
    return booking::to_held(state, reading.boot, reading.seq, rules) == booking::ToHeld::beside ||
           !runs_back(state.held->observation);
}

Booking book(CounterState& state, const Reading& reading, const Circumstances& came,
             const CounterRules& rules) {
    Booking booking;
    const Observation observation = observation_of(state, reading, came, rules, booking);
    if (is_repeat(state, reading, observation, came, rules)) return booking;
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
