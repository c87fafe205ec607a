// How much a meter can gain in a time, and how its counts and numbers wrap.
#pragma once

#include <cstdint>
#include <optional>

#include "tickledger/cadence.hpp"
#include "tickledger/meter.hpp"

namespace tickledger {

/// What booking needs from a meter's settings, worked out once.
class CounterRules {
public:
    explicit CounterRules(const MeterSettings& meter) : CounterRules(meter, meter.pulse_value_l) {}
    /// While another pulse value holds. What is plausible follows it; where the count wraps does not.
    CounterRules(const MeterSettings& meter, Ratio pulse_value_l);

    bool pulses = false;
    /// The node, or the register itself, keeps every tick. If its count falls a little, water ran back.
    bool keeps_every_tick = false;
    int seq_bits = 32;
    std::uint64_t checkpoint_ticks = 0;
    Duration cadence{};

    /// A gain is plausible if it is at most two ticks more than 1.1 Q4 gives in the span.
    [[nodiscard]] bool plausible(std::uint64_t gain_ticks, Duration span) const;
    /// The largest plausible gain of a span, in ticks.
    [[nodiscard]] std::uint64_t plausible_max(Duration span) const;

    /// The count starts again at 0 when it reaches W.
    [[nodiscard]] bool wraps() const { return wraps_; }
    /// (to - from) mod W. If the count never wraps, W is 2^64.
    [[nodiscard]] std::uint64_t gain(std::uint64_t from, std::uint64_t to) const;
    /// a <= b in the serial arithmetic of RFC 1982, mod W.
    [[nodiscard]] bool count_not_after(std::uint64_t a, std::uint64_t b) const;
    /// How far `to` is after `from`, in numbers of seq_bits: 0 if equal, negative if before (RFC 1982).
    /// Exactly half the range, which the RFC leaves undefined, counts as before.
    [[nodiscard]] std::int64_t seq_distance(std::uint64_t from, std::uint64_t to) const;
    [[nodiscard]] std::uint64_t seq_after(std::uint64_t seq) const;
    [[nodiscard]] std::uint64_t seq_before(std::uint64_t seq) const;
    [[nodiscard]] Duration silence() const { return tickledger::silence(cadence); }

private:
    // gain - 2 <= rate_numerator * span / rate_denominator, all whole numbers.
    std::uint64_t rate_numerator_ = 0;
    std::uint64_t rate_denominator_ = 1;
    bool wraps_ = false;
    std::uint64_t last_count_ = 0;  ///< W - 1.
};

}  // namespace tickledger
