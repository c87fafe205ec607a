// What is possible between two readings of a meter, and how its numbers go round.
#pragma once

#include <cstdint>
#include <optional>

#include "tickledger/meter.hpp"

namespace tickledger {

struct Observation;

/// What booking needs of a meter's settings, worked out once.
class CounterRules {
public:
    explicit CounterRules(const MeterSettings& meter);

    bool pulses = false;
    /// The node, or the register itself, keeps every tick: a count that falls a little has run back.
    bool keeps_every_tick = false;
    int seq_bits = 32;
    std::uint64_t checkpoint_ticks = 0;
    Duration cadence{};

    /// A gain is plausible if its volume is at most 1.1 Q4 times the span, and two ticks more.
    [[nodiscard]] bool plausible(std::uint64_t gain_ticks, Duration span) const;
    /// The largest plausible gain of a span, in ticks.
    [[nodiscard]] std::uint64_t plausible_max(Duration span) const;

    /// The count begins again at 0 somewhere: at W.
    [[nodiscard]] bool wraps() const { return wraps_; }
    /// (to - from) mod W. Where the count never wraps, W is 2^64.
    [[nodiscard]] std::uint64_t gain(std::uint64_t from, std::uint64_t to) const;
    /// a <= b in the serial arithmetic of RFC 1982, mod W.
    [[nodiscard]] bool count_not_after(std::uint64_t a, std::uint64_t b) const;
    /// How far `to` lies after `from` in seq_bits: 0 equal, negative before (RFC 1982; exactly half
    /// the range, which the RFC leaves undefined, counts as before).
    [[nodiscard]] std::int64_t seq_distance(std::uint64_t from, std::uint64_t to) const;
    [[nodiscard]] std::uint64_t seq_after(std::uint64_t seq) const;
    [[nodiscard]] std::uint64_t seq_before(std::uint64_t seq) const;
    /// A longer pause is a silence: the node missed a message.
    [[nodiscard]] Duration silence() const { return cadence * 3 / 2; }
    /// The longest time that may have passed between two observations: what a gain must be plausible over.
    /// Where the node's clock was believed then and is not now, the time between the arrivals counts too;
    /// where it runs on wrong, the time that passed on it.
    [[nodiscard]] Duration longest(const Observation& from, const Observation& to) const;
    /// As far as the numbers of one start that is told as such say; nothing: they do not tell.
    [[nodiscard]] std::optional<Duration> longest_by_numbers(const Observation& from,
                                                             const Observation& to) const;

private:
    /// How far apart the two were sent by their numbers, a cadence each, and their uptimes; `most` at most.
    [[nodiscard]] Duration sent_apart(const Observation& from, const Observation& to, Duration most) const;

    // gain - 2 <= rate_numerator * span / rate_denominator, all whole numbers.
    std::uint64_t rate_numerator_ = 0;
    std::uint64_t rate_denominator_ = 1;
    bool wraps_ = false;
    std::uint64_t last_count_ = 0;  ///< W - 1.
};

}  // namespace tickledger
