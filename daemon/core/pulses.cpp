// Booking of pulses: each message contains the ticks since the one before it.

#include <algorithm>

#include "core/booking.hpp"

namespace tickledger::booking {

namespace {

enum class Order : std::uint8_t {
    next,      ///< The very next message, as far as it shows.
    gap,       ///< Messages in between are missing.
    new_boot,  ///< The node restarted: what it had counted and not sent is unknown.
    before,    ///< Its number is an earlier one, and no boot explains why.
};

Order order_of(const Observation& from, const Observation& to, const CounterRules& rules) {
    if (restart_told(from, to, rules)) return Order::new_boot;
    if (!from.seq || !to.seq) return Order::next;
    const std::int64_t ahead = rules.seq_distance(*from.seq, *to.seq);
    if (ahead == 1) return Order::next;
    return ahead > 1 ? Order::gap : Order::before;
}

/// How long the pulses of a message after a gap ran, up to its moment: one cadence. If more pulses came than
/// one cadence explains, the node was also silent for a while. The silence may then be all the time that the
/// missing messages do not fill, a cadence each. If this is not enough, the node sends its ticks at once, and
/// the missing messages filled hardly any time. The time begins at the message before the gap or, if this is
/// not enough either, at the earliest moment at which that message was sent.
Duration ran_past_gap(const Observation& from, const Observation& to, const CounterRules& rules) {
    const Duration one_cadence = std::min(to.at - from.at, rules.cadence);
    const auto explains = [&](Duration ran) { return rules.plausible(to.count, to.latest() - to.at + ran); };
    if (rules.cadence <= Duration{0} || explains(one_cadence)) return one_cadence;
    const std::int64_t missing = rules.seq_distance(*from.seq, *to.seq) - 1;
    const auto not_filled_since = [&](Instant since) {
        const Duration whole = to.at - since;
        const Duration filled = std::min(missing, whole / rules.cadence) * rules.cadence;
        return std::max(one_cadence, whole - filled);
    };
    const bool may_have_waited = from.no_earlier != Instant{} && from.no_earlier < from.at;
    const Instant earliest = may_have_waited ? from.no_earlier : from.at;
    for (const Instant since : {from.at, earliest}) {
        if (explains(not_filled_since(since))) return not_filled_since(since);
    }
    return explains(to.at - from.at) ? to.at - from.at : to.at - earliest;
}

/// Where the pulses of a message begin: at the message before it or, after a gap, as far back as they ran.
Instant begin_of(const Observation& from, const Observation& to, Order order, const CounterRules& rules) {
    if (order != Order::gap) return from.at;
    return std::max(from.at, to.at - ran_past_gap(from, to, rules));
}

bool follows(const Observation& from, const Observation& to, const CounterRules& rules) {
    if (to.at < from.at) return false;
    const Order order = order_of(from, to, rules);
    if (order != Order::gap) return rules.plausible(to.count, longest_between(from, to, rules));
    // However close it came, it was sent a cadence after a missing message.
    const Duration least = to.tells_time() ? Duration{0} : rules.cadence;
    return rules.plausible(to.count, std::max(to.latest() - to.at + ran_past_gap(from, to, rules), least));
}

/// `to` is the message before which the missing pulses ran.
Entry gap_between(const Observation& from, const Observation& to, Instant until, std::uint64_t first_seq,
                  std::uint64_t last_seq, std::uint64_t boot, const CounterRules& rules) {
    return uncertain({.span = {from.at, until},
                      .ticks = 0,
                      .kind = EntryKind::lost,
                      .time_estimated = false,
                      .begin_count = first_seq,
                      .end = {0, boot, last_seq}},
                     longest_unseen(from, to, rules), rules);
}

void book_message(CounterState& state, const Observation& observation, const CounterRules& rules,
                  Booking& booking) {
    const Observation last = *state.last;
    const Order order = order_of(last, observation, rules);
    const Instant begin = begin_of(last, observation, order, rules);
    if (order == Order::gap) {
        booking.add_entry(gap_between(last, observation, begin, rules.seq_after(*last.seq),
                                      rules.seq_before(*observation.seq),
                                      observation.boot.value_or(last.boot.value_or(0)), rules));
    }
    const bool seen_throughout = order == Order::next || order == Order::gap;
    Entry entry{.span = {begin, observation.at},
                .ticks = static_cast<std::int64_t>(observation.count),
                .kind = seen_throughout ? EntryKind::measured : EntryKind::restart,
                .time_estimated = observation.time_estimated,
                .begin_count = 0,
                .end = {0, observation.boot.value_or(0), observation.seq.value_or(0)}};
    if (!seen_throughout) entry = uncertain(entry, longest_unseen(last, observation, rules), rules);
    const bool says_nothing = seen_throughout && entry.ticks == 0 && entry.span.from == entry.span.to;
    if (!says_nothing) booking.add_entry(entry);
    state.last = carried_on(last, observation, rules);
    booking.accept(*state.last);
    booking.outcome = Outcome::booked;
}

/// Refuses the held message: its pulses are a stray. If it keeps its place in the order, that becomes a gap.
void refuse_held(CounterState& state, bool keeps_its_place, const CounterRules& rules, Booking& booking) {
    const Observation suspect = state.held->observation;
    booking.stray = suspect;
    state.held.reset();
    if (!keeps_its_place) return;
    const Observation last = *state.last;
    const bool numbered = suspect.seq && last.seq && !restart_told(last, suspect, rules);
    const std::uint64_t boot = suspect.boot.value_or(last.boot.value_or(0));
    const std::uint64_t first = numbered ? rules.seq_after(*last.seq) : suspect.seq.value_or(0);
    booking.add_entry(gap_between(last, suspect, suspect.at, first, suspect.seq.value_or(0), boot, rules));
    state.last = carried_on(last, suspect, rules);
    booking.accept(*state.last);
}

}  // namespace

void book_pulses(CounterState& state, const Observation& observation, const Circumstances& came,
                 const CounterRules& rules, Booking& booking) {
    if (!state.last) {
        // The pulses of the first message ran within the cadence before it.
        state.last = Observation{.at = observation.at - rules.cadence};
    }
    if (state.held) {
        const Observation suspect = state.held->observation;
        const bool comes_after =
            observation.at >= suspect.at && order_of(suspect, observation, rules) != Order::before;
        const bool goes_back = passes_over_held(state, observation, rules);
        const bool continues_suspect = comes_after && !goes_back && follows(suspect, observation, rules);
        const bool passes_suspect_over = !continues_suspect && follows(*state.last, observation, rules) &&
                                         order_of(*state.last, observation, rules) != Order::before;
        // A message that was sent before the held one leaves no place for it yet. A later one will.
        refuse_held(state, comes_after && !goes_back && !passes_suspect_over, rules, booking);
    }
    if (came.boot_goes_on || follows(*state.last, observation, rules)) {
        book_message(state, observation, rules, booking);
        return;
    }
    state.held = Held{observation, std::nullopt};
    booking.outcome = Outcome::held;
}

}  // namespace tickledger::booking
