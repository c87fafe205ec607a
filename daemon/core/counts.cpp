// Booking of cumulative counts: advance, wrap, restart, preset, stray.

#include <utility>

#include "core/booking.hpp"

namespace tickledger::booking {

namespace {

/// How one observation continues another.
struct Continuation {
    EntryKind kind = EntryKind::measured;
    std::uint64_t begin_count = 0;
    std::uint64_t gain_ticks = 0;
};

/// The count that a node restarted from, as far as it is known (docs/ledger.md, "restart, told").
std::uint64_t restored_count(const Observation& from, const Observation& to, const CounterRules& rules) {
    if (to.saved) return *to.saved;
    if (rules.checkpoint_ticks > 0) return to.count / rules.checkpoint_ticks * rules.checkpoint_ticks;
    return to.count >= from.count ? from.count : 0;
}

/// How far the count fell, if that may be water that ran back: the fall is small, and no tick was forgotten.
std::optional<std::uint64_t> ran_back(const Observation& from, const Observation& to,
                                      const CounterRules& rules) {
    if (!rules.keeps_every_tick || to.at < from.at || to.count == from.count) return std::nullopt;
    // With a saved count it is known what the node has counted, unless the count is below the saved one.
    const bool is_below_saved =
        to.saved && to.count != *to.saved && rules.count_not_after(to.count, *to.saved);
    if (restart_told(from, to, rules) && to.saved && !is_below_saved) return std::nullopt;
    const std::uint64_t back = rules.gain(to.count, from.count);
    const bool fell = rules.count_not_after(to.count, from.count);
    if (!fell || !rules.plausible(back, longest_between(from, to, rules))) return std::nullopt;
    return back;
}

/// A node that keeps every tick reports a start with less than it had counted. Either water ran back, or its
/// count was set by hand, or a message of an earlier start came late. The next message must decide.
bool starts_from_less(const Observation& from, const Observation& to, const CounterRules& rules) {
    if (ran_back(from, to, rules)) return true;
    return rules.keeps_every_tick && !to.saved && to.count != from.count &&
           rules.count_not_after(to.count, from.count);
}

std::optional<Continuation> told_restart(const Observation& from, const Observation& to,
                                         const CounterRules& rules) {
    if (starts_from_less(from, to, rules)) return std::nullopt;
    std::uint64_t begin = restored_count(from, to, rules);
    // A node that keeps no count started again at 0, wherever it had been. Any other node cannot have saved
    // more than it had counted when it was last heard, unless it counted on unheard. In that case only the
    // ticks beyond the last heard count are new.
    const bool is_forgotten = begin == 0 && rules.checkpoint_ticks == 0;
    if (!is_forgotten && !rules.count_not_after(begin, from.count)) begin = from.count;
    const std::uint64_t gain = rules.gain(begin, to.count);
    if (!rules.plausible(gain, longest_between(from, to, rules))) return std::nullopt;
    return Continuation{EntryKind::restart, begin, gain};
}

/// How far apart the two were sent at most. Their numbers may give less than `longest`.
Duration apart_by_numbers(const Observation& from, const Observation& to, Duration longest,
                          const CounterRules& rules) {
    const Duration pause = to.arrived_at - from.arrived_at;
    return std::min(longest, std::max(pause, longest_by_numbers(from, to, rules).value_or(longest)));
}

/// Whether a gain of more than half a turn of the counter is believed, if the boot is given unchanged. Water
/// that ran back must not be taken for such a turn. A queue may have waited long enough for a turn, but its
/// numbers show that two of its messages were not sent that far apart.
///
/// After a silence, or between a slow queue and a live message, a little water that ran back may explain the
/// fall as well. Then there must be time for ten turns: on average, a meter runs at less than a tenth of its
/// greatest flow.
bool may_be_most_of_a_turn(const Observation& from, const Observation& to, std::uint64_t gain_ticks,
                           const CounterRules& rules) {
    constexpr std::uint64_t turn_of_little = 100;
    const Duration apart = apart_by_numbers(from, to, longest_between(from, to, rules), rules);
    const auto back = ran_back(from, to, rules);
    const bool is_little = back && *back < gain_ticks / turn_of_little;
    return rules.plausible(gain_ticks, is_little ? apart / 10 : apart);
}

/// Advance, wrap or a reported restart: these count as following.
std::optional<Continuation> continuation(const Observation& from, const Observation& to,
                                         const CounterRules& rules) {
    if (to.at < from.at) return std::nullopt;
    if (restart_told(from, to, rules)) return told_restart(from, to, rules);
    const Duration span = longest_between(from, to, rules);
    if (to.count >= from.count) {
        const std::uint64_t gain = to.count - from.count;
        if (!rules.plausible(gain, span)) return std::nullopt;
        return Continuation{EntryKind::measured, from.count, gain};
    }
    if (!rules.wraps()) return std::nullopt;
    const std::uint64_t gain = rules.gain(from.count, to.count);
    const bool boot_unchanged = from.boot && from.boot == to.boot;
    const bool below_half = rules.count_not_after(from.count, to.count);
    if (!rules.plausible(gain, span) || !(below_half || boot_unchanged)) return std::nullopt;
    if (!below_half && !may_be_most_of_a_turn(from, to, gain, rules)) return std::nullopt;
    return Continuation{EntryKind::measured, from.count, gain};
}

/// For a fall that may be a restart: the count restarted from. Either no restart was reported, or a node that
/// keeps every tick reported it. A fall alone proves nothing, so this is believed only once the next reading
/// follows it.
std::optional<std::uint64_t> doubtful_restart(const Observation& from, const Observation& to,
                                              const CounterRules& rules) {
    if (restart_told(from, to, rules) && starts_from_less(from, to, rules)) return to.count;
    if (to.boot || to.count >= from.count) return std::nullopt;
    const std::uint64_t block = rules.checkpoint_ticks;
    if (block > 0 && to.count / block != from.count / block) return std::nullopt;
    const std::uint64_t begin = to.saved ? *to.saved : block > 0 ? to.count / block * block : 0;
    if (begin > to.count) return std::nullopt;
    if (!rules.plausible(to.count - begin, longest_between(from, to, rules))) return std::nullopt;
    return begin;
}

void book_continuation(CounterState& state, const Observation& observation, const Continuation& how,
                       const CounterRules& rules, Booking& booking) {
    const Observation& last = *state.last;
    Entry entry{.span = {last.at, observation.at},
                .ticks = static_cast<std::int64_t>(how.gain_ticks),
                .kind = how.kind,
                // If more ran than can have run since the last message, either both had waited or the node's
                // clock was set back. Nobody then knows how long it was.
                .time_estimated = observation.time_estimated ||
                                  (how.kind == EntryKind::measured &&
                                   !rules.plausible(how.gain_ticks, observation.latest() - last.at)),
                .begin_count = how.begin_count,
                .end = mark_of(observation)};
    if (how.kind == EntryKind::restart)
        entry = uncertain(entry, longest_unseen(last, observation, rules), rules);
    // A span without ticks and without length is no evidence of anything.
    const bool says_nothing =
        entry.ticks == 0 && entry.span.from == entry.span.to && how.kind == EntryKind::measured;
    if (!says_nothing) booking.add_entry(entry);
    state.last = carried_on(last, observation, rules);
    booking.accept(*state.last);
    booking.outcome = Outcome::booked;
}

Entry entry_until(const Observation& last, const Observation& held, EntryKind kind, std::int64_t ticks) {
    return {.span = {last.at, held.at},
            .ticks = ticks,
            .kind = kind,
            .time_estimated = held.time_estimated,
            .begin_count = last.count,
            .end = mark_of(held)};
}

/// Whether the last reading is of a queue beside which live readings came as strays: the held one's number or
/// uptime shows that the two were sent far enough apart for what ran. Precondition: another reading follows
/// the held one, so its number and uptime are right.
bool ran_since_queue(const Observation& last, const Observation& held, const CounterRules& rules) {
    if (held.boot != last.boot || !rules.count_not_after(last.count, held.count)) return false;
    const Duration apart = sent_apart(last, held, one_start_longest, rules);
    return apart > rules.cadence * consecutive_most &&
           rules.plausible(rules.gain(last.count, held.count), apart);
}

/// The next reading follows the held one: it was a restart that was not reported, water ran back, water ran
/// while a queue was sent, or the count was preset.
void settle_held(CounterState& state, const CounterRules& rules, Booking& booking) {
    const Held held = *state.held;
    state.held.reset();
    if (held.restart_from) {
        const std::uint64_t gain = rules.gain(*held.restart_from, held.observation.count);
        book_continuation(state, held.observation, {EntryKind::restart, *held.restart_from, gain}, rules,
                          booking);
        return;
    }
    const Observation& last = *state.last;
    if (!held.is_reverse && ran_since_queue(last, held.observation, rules)) {
        const std::uint64_t gain = rules.gain(last.count, held.observation.count);
        book_continuation(state, held.observation, {EntryKind::measured, last.count, gain}, rules, booking);
        return;
    }
    if (held.is_reverse) {
        const auto back = static_cast<std::int64_t>(rules.gain(held.observation.count, last.count));
        booking.add_entry(entry_until(last, held.observation, EntryKind::reverse, -back));
    } else {
        booking.add_entry(uncertain(entry_until(last, held.observation, EntryKind::preset, 0),
                                    longest_unseen(last, held.observation, rules), rules));
    }
    state.last = carried_on(*state.last, held.observation, rules);
    booking.accept(*state.last);
}

bool lies_between(const Observation& from, const Observation& middle, const Observation& to,
                  const CounterRules& rules) {
    return rules.gain(from.count, middle.count) <= rules.gain(from.count, to.count);
}

/// The register runs back from the held count. So the held reading is no reading error but a fall, a count
/// set by hand or a reported start.
bool runs_back_from_held(const CounterState& state, const Observation& observation,
                         const CounterRules& rules) {
    const Observation& held = state.held->observation;
    const bool is_untold_start = state.held->restart_from && !restart_told(*state.last, held, rules);
    return !is_untold_start && !passes_over_held(state, observation, rules) &&
           ran_back(held, observation, rules);
}

/// A node that saves its count every S ticks restarts from less than S below its last reported count. If it
/// seems to have forgotten more, and this reading goes on from the held one, then the held one was right: its
/// count was set by hand or had run back.
bool is_only_explained_by_held(const CounterState& state, const Continuation& from_last,
                               const std::optional<Continuation>& from_held, const CounterRules& rules) {
    const std::uint64_t saved_every_ticks = rules.keeps_every_tick ? 1 : rules.checkpoint_ticks;
    if (from_last.kind != EntryKind::restart || saved_every_ticks == 0) return false;
    const std::uint64_t forgotten_ticks = rules.gain(from_last.begin_count, state.last->count);
    return forgotten_ticks >= saved_every_ticks && from_held &&
           from_held->begin_count == state.held->observation.count;
}

/// Holds the observation for the next reading to confirm, with what it would then be.
void hold(CounterState& state, const Observation& observation, const CounterRules& rules) {
    const bool is_reverse = ran_back(*state.last, observation, rules).has_value();
    state.held =
        Held{observation, is_reverse ? std::nullopt : doubtful_restart(*state.last, observation, rules),
             is_reverse};
}

/// The observation was sent before the held one, by its number and its moment. It is of the same start or, if
/// no boot is given, of the start before.
bool precedes_held(const CounterState& state, const Observation& observation, const CounterRules& rules) {
    if (!state.held || observation.at > state.held->observation.at) return false;
    return to_held(state, observation.boot, observation.seq, rules) ==
           (observation.boot ? ToHeld::before : ToHeld::beside);
}

/// The observation follows the last one, so a held one that does not lie between them was wrong.
void follow_last(CounterState& state, const Observation& observation, const Continuation& from_last,
                 const CounterRules& rules, Booking& booking) {
    const bool is_before_held = precedes_held(state, observation, rules);
    const std::optional<Held> held = std::exchange(state.held, std::nullopt);
    if (held && !is_before_held && !lies_between(*state.last, held->observation, observation, rules))
        booking.stray = held->observation;
    book_continuation(state, observation, from_last, rules, booking);
    // The held one was sent later and waits on for the reading that follows it.
    if (is_before_held) hold(state, held->observation, rules);
}

}  // namespace

void book_count(CounterState& state, const Observation& observation, const Circumstances& came,
                const CounterRules& rules, Booking& booking) {
    if (!state.last) {
        state.last = observation;
        booking.accept(observation);
        booking.outcome = Outcome::first;
        return;
    }
    const auto from_last = continuation(*state.last, observation, rules);
    const bool may_follow_held =
        state.held && !came.boot_is_doubtful && !passes_over_held(state, observation, rules);
    const auto from_held =
        may_follow_held ? continuation(state.held->observation, observation, rules) : std::nullopt;
    if (from_last && !is_only_explained_by_held(state, *from_last, from_held, rules))
        return follow_last(state, observation, *from_last, rules, booking);
    if (from_held) {
        settle_held(state, rules, booking);
        book_continuation(state, observation, *from_held, rules, booking);
        return;
    }
    if (state.held) {
        if (!came.boot_is_doubtful && runs_back_from_held(state, observation, rules)) {
            settle_held(state, rules, booking);
        } else {
            booking.stray = state.held->observation;
        }
    }
    hold(state, observation, rules);
    booking.outcome = Outcome::held;
}

}  // namespace tickledger::booking
