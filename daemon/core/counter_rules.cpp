#include "tickledger/counter_rules.hpp"

#include <limits>

#include "core/booking.hpp"

namespace tickledger {

namespace {

__extension__ typedef unsigned __int128 Wide;

constexpr std::int64_t microseconds_per_hour = 3'600'000'000;

// Two ticks more than the flow allows: at each end of the span, the cycle of one tick began or ended outside.
constexpr std::uint64_t slack_ticks = 2;

// Within one boot: a year. No message waits longer.
constexpr Duration one_start_longest = std::chrono::days{366};
constexpr Duration set_back_longest = std::chrono::hours{64};

/// Precondition: 1 to 63 bits.
std::uint64_t mask_of(int bits) {
    return (std::uint64_t{1} << bits) - 1;
}

Wide gcd(Wide a, Wide b) {
    while (b != 0) {
        const Wide rest = a % b;
        a = b;
        b = rest;
    }
    return a;
}

}  // namespace

CounterRules::CounterRules(const MeterSettings& meter)
    : pulses(meter.message == MessageForm::pulses),
      keeps_every_tick(meter.message == MessageForm::volume || meter.checkpoint_ticks == 1),
      seq_bits(meter.seq_bits),
      checkpoint_ticks(meter.message == MessageForm::volume ? 1 : meter.checkpoint_ticks),
      cadence(meter.cadence) {
    const auto range = count_range(meter);
    wraps_ = range.has_value();
    last_count_ = range ? *range - 1 : std::numeric_limits<std::uint64_t>::max();
    // Ticks a microsecond at 1.1 Q4 = 1.1 · 1.25 · Q3 = 11/8 Q3, over the pulse value, as a whole ratio.
    Wide numerator = Wide{11} * static_cast<Wide>(meter.q3_l_per_h.numerator);
    Wide denominator = Wide{8} * static_cast<Wide>(meter.q3_l_per_h.denominator) * microseconds_per_hour;
    const Wide value_numerator = static_cast<Wide>(meter.pulse_value_l.numerator);
    const Wide value_denominator = static_cast<Wide>(meter.pulse_value_l.denominator);
    const Wide first = gcd(numerator, value_numerator);
    const Wide second = gcd(denominator, value_denominator);
    numerator = (numerator / first) * (value_denominator / second);
    denominator = (denominator / second) * (value_numerator / first);
    const Wide common = gcd(numerator, denominator);
    numerator /= common;
    denominator /= common;
    // Halving both keeps the ratio to better than one part in 2^61 if the numbers are that long.
    while (numerator >> 62 != 0 || denominator >> 62 != 0) {
        numerator >>= 1;
        denominator >>= 1;
    }
    rate_numerator_ = static_cast<std::uint64_t>(numerator);
    rate_denominator_ = denominator == 0 ? 1 : static_cast<std::uint64_t>(denominator);
}

bool CounterRules::plausible(std::uint64_t gain_ticks, Duration span) const {
    if (gain_ticks <= slack_ticks) return true;
    if (span.count() <= 0) return false;
    return Wide{gain_ticks - slack_ticks} * rate_denominator_ <=
           Wide{rate_numerator_} * static_cast<std::uint64_t>(span.count());
}

std::uint64_t CounterRules::plausible_max(Duration span) const {
    if (span.count() <= 0) return slack_ticks;
    const Wide ticks = Wide{rate_numerator_} * static_cast<std::uint64_t>(span.count()) / rate_denominator_;
    const Wide most = std::numeric_limits<std::int64_t>::max();
    return static_cast<std::uint64_t>(ticks + slack_ticks < most ? ticks + slack_ticks : most);
}

std::uint64_t CounterRules::gain(std::uint64_t from, std::uint64_t to) const {
    const bool is_power_of_2 = (last_count_ & (last_count_ + 1)) == 0;
    if (is_power_of_2) return (to - from) & last_count_;
    const std::uint64_t range = last_count_ + 1;
    from %= range;
    to %= range;
    return to >= from ? to - from : range - (from - to);
}

bool CounterRules::count_not_after(std::uint64_t a, std::uint64_t b) const {
    return gain(a, b) <= last_count_ / 2;
}

std::int64_t CounterRules::seq_distance(std::uint64_t from, std::uint64_t to) const {
    const std::uint64_t mask = mask_of(seq_bits);
    const std::uint64_t ahead = (to - from) & mask;
    // The serial arithmetic of RFC 1982: less than half the range ahead is after, the rest before.
    if (ahead <= mask / 2) return static_cast<std::int64_t>(ahead);
    return -static_cast<std::int64_t>((from - to) & mask);
}

std::uint64_t CounterRules::seq_after(std::uint64_t seq) const {
    return (seq + 1) & mask_of(seq_bits);
}

std::uint64_t CounterRules::seq_before(std::uint64_t seq) const {
    return (seq - 1) & mask_of(seq_bits);
}

Duration CounterRules::longest(const Observation& from, const Observation& to) const {
    // A message that comes sooner than the node sends had waited, and the one before it may have waited too.
    const Duration pause = to.arrived_at - from.arrived_at;
    const bool comes_early = !to.tells_time() && pause >= Duration{0} && pause < cadence / 2;
    const bool is_other_start = from.boot && to.boot && from.boot != to.boot;
    const bool ended_silence = from.no_earlier != Instant{} && from.at - from.no_earlier > silence();
    // If an earlier start was not heard to its end, it may have gone on through the silence after it. Within
    // one start, a large gain is believed only in the first half cadence of a burst: the next message
    // contains the ticks of those before it.
    const bool just_hurries =
        from.no_earlier != Instant{} &&
        (from.hurry_from == Instant{} || from.arrived_at - from.hurry_from < cadence / 2);
    const bool may_have_waited = (comes_early && just_hurries) || (is_other_start && ended_silence);
    const bool may_be_earlier = from.time_estimated || may_have_waited;
    Duration longest = to.latest() - (may_be_earlier ? std::min(from.no_earlier, from.at) : from.at);
    // However close two messages come, their numbers and uptimes show how far apart they were sent. Within
    // one given boot this holds over any number of messages. If both give believed times, the node's clock
    // was set back in between: by no more than the time between the arrivals or, if they had waited, two
    // minutes.
    const bool tell_times = from.tells_time() && to.tells_time();
    const bool is_one_start = from.boot && from.boot == to.boot;
    if (is_one_start) {
        const Duration apart = sent_apart(from, to, one_start_longest);
        const bool had_waited = to.arrived_at - to.at > cadence;
        const Duration most =
            had_waited ? std::max(pause, to.at - from.at + booking::clock_tolerance) : pause;
        longest = std::max(longest, tell_times ? std::min(apart, most) : apart);
    } else if (comes_early && from.boot == to.boot) {
        longest = std::max(longest, sent_apart(from, to, cadence * booking::consecutive_most));
    }
    // The readings of a queue that gives no numbers are a cadence apart, too.
    if (to.hurried > 1 && from.boot == to.boot) longest = std::max(longest, cadence);
    // A message that waited since before the node's last start may come between those of the new start.
    if (comes_early && is_other_start) longest = std::max(longest, cadence);
    if (!from.node_time) return longest;
    const auto passed_by_node =
        to.node_time ? std::optional<Duration>(*to.node_time - *from.node_time) : std::nullopt;
    if (to.tells_time()) {
        // A clock that is behind is believed again once it has passed the last arrival, though it is no more
        // right than before.
        const bool was_disbelieved = !from.tells_time();
        return was_disbelieved ? std::max(longest, std::min(pause, *passed_by_node)) : longest;
    }
    longest = std::max(longest, pause);
    if (!passed_by_node) return longest;
    // A node's clock may be set, rightly or wrongly, between two messages. Within one start their numbers
    // limit how long that time was. Otherwise no more is believed than a server's clock may have been set
    // back by.
    const Duration most =
        longest_by_numbers(from, to).value_or(std::max(pause, Duration{0}) + set_back_longest);
    return std::max(longest, std::min(*passed_by_node, most));
}

Duration CounterRules::sent_apart(const Observation& from, const Observation& to, Duration most) const {
    Duration apart{0};
    if (from.seq && to.seq && cadence > Duration{0}) {
        const std::int64_t ahead = seq_distance(*from.seq, *to.seq);
        if (ahead > 0 && ahead <= most / cadence) apart = cadence * ahead;
    }
    if (from.uptime && to.uptime)
        apart = std::max(apart, std::min<Duration>(*to.uptime - *from.uptime, most));
    return apart;
}

std::optional<Duration> CounterRules::longest_by_numbers(const Observation& from,
                                                         const Observation& to) const {
    if (!from.boot || from.boot != to.boot || !from.seq || !to.seq || cadence <= Duration{0})
        return std::nullopt;
    const std::int64_t ahead = std::max<std::int64_t>(seq_distance(*from.seq, *to.seq), 1);
    return ahead < one_start_longest / silence() ? silence() * ahead : one_start_longest;
}

}  // namespace tickledger
