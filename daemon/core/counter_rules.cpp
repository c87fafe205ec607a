#include "tickledger/counter_rules.hpp"

#include <limits>

namespace tickledger {

namespace {

__extension__ typedef unsigned __int128 Wide;

constexpr std::int64_t microseconds_per_hour = 3'600'000'000;

// Two ticks more than the flow allows: at each end of the span, the cycle of one tick began or ended outside.
constexpr std::uint64_t slack_ticks = 2;

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

CounterRules::CounterRules(const MeterSettings& meter, Ratio pulse_value_l)
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
    const Wide value_numerator = static_cast<Wide>(pulse_value_l.numerator);
    const Wide value_denominator = static_cast<Wide>(pulse_value_l.denominator);
    const Wide first = gcd(numerator, value_numerator);
    const Wide second = gcd(denominator, value_denominator);
    numerator = (numerator / first) * (value_denominator / second);
    denominator = (denominator / second) * (value_numerator / first);
    const Wide common = gcd(numerator, denominator);
    numerator /= common;
    denominator /= common;
    // Halving both loses at most one part in 2^(bits of the smaller), and only absurd settings are that long.
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

}  // namespace tickledger
