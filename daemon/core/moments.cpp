// When a reading counts: at the node's own time if that is believed, otherwise by its arrival.
#include <algorithm>

#include "core/booking.hpp"

namespace tickledger {

namespace {

bool is_newer(const Reading& reading, const Observation& than, const Circumstances& came,
              const CounterRules& rules) {
    if (came.boot_already_left) return false;
    const bool other_boot = reading.boot && than.boot && *reading.boot != *than.boot;
    if (other_boot) return true;
    // Its uptime grew by more than the time that has passed. So it was sent in an earlier start, which no
    // boot shows.
    const bool is_of_earlier_start =
        !reading.boot && reading.uptime && than.uptime && than.tells_time() &&
        *reading.uptime - *than.uptime > came.arrived_at - than.at + booking::clock_tolerance;
    if (is_of_earlier_start) return false;
    return reading.seq && than.seq && rules.seq_distance(*than.seq, *reading.seq) > 0;
}

/// The node's own time cannot be right, whatever is known of the meter.
bool is_absurd(Instant time, const Circumstances& came) {
    return time > came.arrived_at + booking::clock_tolerance || time < booking::clocks_begin;
}

/// Where a message that had waited is placed: by the cadence back from its arrival. If there are too many
/// messages for that, they are placed evenly from the last known moment on.
Instant estimated_at(const Observation* known, const Circumstances& came, const CounterRules& rules) {
    if (!known) return came.arrived_at - rules.cadence * came.behind;
    const Duration room = std::max(came.arrived_at - known->at, Duration{0});
    const Duration spacing = std::min(rules.cadence, room / (came.behind + 1));
    return std::max(came.arrived_at - spacing * came.behind, known->at);
}

/// How much longer the node has run by its uptime, within one given boot.
Duration ran_since(const Observation& known, const Observation& observation) {
    const bool is_one_boot = known.boot && known.boot == observation.boot;
    if (!is_one_boot || !known.uptime || !observation.uptime) return Duration{0};
    return std::max<Duration>(*observation.uptime - *known.uptime, Duration{0});
}

/// The earliest moment at which the observation was sent, as far as its uptime shows.
Instant earliest_sent(const Observation& known, const Observation& observation) {
    return std::min(booking::sent_from(known) + ran_since(known, observation), observation.at);
}

/// earliest_sent(), if an uptime shows that the message had waited, or that it continues a queue that had.
/// Nothing otherwise, nor if the node's uptime does not count all of its time.
std::optional<Instant> sent_by_uptime(const Observation& known, const Observation& observation,
                                      const CounterRules& rules) {
    const Duration ran = ran_since(known, observation);
    if (ran == Duration{0} || ran < rules.cadence / 2) return std::nullopt;
    const Instant sent = earliest_sent(known, observation);
    const bool went_on_waiting = booking::sent_from(known) < known.at;
    const Instant latest = went_on_waiting ? sent : known.latest() + ran;
    if (observation.at - latest <= booking::start_tolerance) return std::nullopt;
    return sent;
}

/// The first message of a start that comes right behind a message that had waited. It had waited too.
bool waited_behind_start(const Observation& known, const Observation& observation,
                         const CounterRules& rules) {
    const bool is_other_start = known.boot && observation.boot && known.boot != observation.boot;
    return is_other_start && observation.arrived_at - known.arrived_at < rules.cadence / 2 &&
           booking::sent_from(known) < known.at;
}

/// The message continues a burst that may have waited. It comes within half a cadence of the burst's first
/// message. Or the burst comes in clusters: it takes longer, but is still twice as fast as the node sends. A
/// burst takes no longer to arrive than it had waited. If it does, the node just sends faster than its
/// cadence.
bool goes_on_hurrying(const Observation& known, const Observation& observation, const CounterRules& rules) {
    if (known.hurry_from == Instant{}) return false;
    const Duration hurries = observation.arrived_at - known.hurry_from;
    if (hurries < rules.cadence / 2) return true;
    const bool is_silent = observation.arrived_at - known.arrived_at > rules.silence();
    const bool is_fast = hurries < rules.cadence / 2 * known.hurried;
    return !is_silent && is_fast && hurries < known.hurry_from - known.no_earlier;
}

/// Notes since when the ticks of the next message may have run, if that is earlier than this message's
/// moment. If a backlog was interrupted, or was recognized late, the last message before it was dated by its
/// arrival, though it had waited as long as those after it.
void tell_hurry(const Observation* known, Observation& observation, const CounterRules& rules) {
    if (observation.time_estimated) {
        observation.no_earlier = known ? earliest_sent(*known, observation) : observation.at;
        return;
    }
    if (!known) {
        // The very first message may have waited itself. Nothing shows how long, so one silence is assumed.
        observation.no_earlier = observation.at - rules.silence();
        observation.hurry_from = observation.arrived_at;
        observation.hurried = 1;
        return;
    }
    const Duration pause = observation.arrived_at - known->arrived_at;
    if (pause < Duration{0}) return;
    const auto sent = sent_by_uptime(*known, observation, rules);
    if (known->time_estimated && sent) {
        // The node's own queue continues behind the messages that waited at the broker.
        observation.no_earlier = *sent;
    } else if (known->time_estimated && pause <= rules.silence()) {
        observation.no_earlier = known->no_earlier;
        observation.hurry_from = observation.arrived_at;
        observation.hurried = 1;
    } else if (goes_on_hurrying(*known, observation, rules)) {
        observation.no_earlier = known->no_earlier;
        observation.hurry_from = known->hurry_from;
        observation.hurried = known->hurried + 1;
    } else if (waited_behind_start(*known, observation, rules)) {
        observation.no_earlier = booking::sent_from(*known);
    } else if (sent) {
        observation.no_earlier = *sent;
    } else if (pause > rules.silence()) {
        // The message may have waited since the silence began, even if it is the only one of its start.
        observation.no_earlier = booking::sent_from(*known);
        observation.hurry_from = observation.arrived_at;
        observation.hurried = 1;
    }
}

/// The count that a node restarted from, according to strays of the same start. They did not fit the message
/// that was last accepted then, and fit the present one. A node that saves every S ticks restarts from less
/// than S below it.
std::optional<std::uint64_t> saved_by_strays(const CounterState& state, const Reading& reading,
                                             const Circumstances& came, const CounterRules& rules) {
    if (!came.count_of_strays || !state.last || rules.checkpoint_ticks < 2) return std::nullopt;
    const std::uint64_t told = *came.count_of_strays;
    const bool fits = rules.count_not_after(told, state.last->count) &&
                      rules.gain(told, state.last->count) < rules.checkpoint_ticks &&
                      rules.count_not_after(told, reading.count);
    if (!fits) return std::nullopt;
    return told / rules.checkpoint_ticks * rules.checkpoint_ticks;
}

}  // namespace

bool tells_believed_time(const CounterState& state, const Reading& reading, const Circumstances& came,
                         const CounterRules& rules) {
    if (!reading.time || is_absurd(*reading.time, came)) return false;
    // A held message has no place in the order yet: a message between it and the last accepted one is newer
    // than the last accepted one. A message that is earlier in the record is not newer, whatever its number:
    // the record is being read again.
    const auto runs_back = [&](const Observation& than) {
        return *reading.time < than.at && came.arrived_at >= than.arrived_at &&
               is_newer(reading, than, came, rules);
    };
    if (state.last && runs_back(*state.last)) return false;
    // A message without a boot is late, whatever is held, if its time is not after the last accepted one and
    // its number is not newer.
    const bool is_of_before = state.last && *reading.time <= state.last->at && !reading.boot;
    if (is_of_before || !state.held) return true;
    // A message that goes on with the last accepted one's start is not newer than a held message of another
    // start.
    return booking::to_held(state, reading.boot, reading.seq, rules) == booking::ToHeld::beside ||
           !runs_back(state.held->observation);
}

Observation booking::observation_of(const CounterState& state, const Reading& reading,
                                    const Circumstances& came, const CounterRules& rules, Booking& booking) {
    Observation observation{
        .at = {},
        .count = reading.count,
        .boot = reading.boot,
        .seq = reading.seq,
        .saved = reading.saved ? reading.saved : saved_by_strays(state, reading, came, rules),
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
        // A time that is not believed is not used: a whole backlog of such messages did not run within the
        // milliseconds of its arrival.
        observation.at = came.waited ? estimated_at(known, came, rules) : std::max(came.arrived_at, floor);
        observation.time_estimated = came.waited;
        tell_hurry(known, observation, rules);
    }
    return observation;
}

}  // namespace tickledger
