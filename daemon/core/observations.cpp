// What two observations of a counter show of each other.
#include <algorithm>

#include "core/booking.hpp"

namespace tickledger::booking {

bool restart_told(const Observation& from, const Observation& to, const CounterRules& rules) {
    if (from.boot && to.boot) return *from.boot != *to.boot;
    const bool fell = from.uptime && to.uptime && *to.uptime < *from.uptime;
    return fell && *to.uptime <= longest_between(from, to, rules) + start_tolerance;
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
    const Duration longest = std::max(longest_between(from, to, rules), to.latest() - sent_from(from));
    // If two messages of a queue give no believed time, only the node's clock shows a silence between them.
    const bool are_of_queue =
        from.boot == to.boot && ((from.time_estimated && to.time_estimated) || comes_early(from, to, rules));
    if (!are_of_queue || !from.node_time || !to.node_time || *from.node_time < clocks_begin) return longest;
    return std::max(longest, *to.node_time - *from.node_time);
}

Entry uncertain(Entry entry, Duration longest, const CounterRules& rules) {
    const std::uint64_t possible = rules.plausible_max(std::max(longest, entry.span.length()));
    const auto booked = static_cast<std::uint64_t>(entry.ticks);
    entry.unseen_max = possible > booked ? possible - booked : 0;
    return entry;
}

}  // namespace tickledger::booking
