// Shorthand for a meter and its readings, for the tests of booking.
#pragma once

#include <catch2/catch.hpp>
#include <vector>

#include "tickledger/counter.hpp"

namespace tickledger::test {

inline constexpr Instant noon = instant_of(1'772'366'400'000'000);  // 2026-03-01T12:00:00Z

inline Instant after(Duration since_noon) {
    return noon + since_noon;
}
inline std::chrono::seconds minutes(int n) {
    return std::chrono::minutes{n};
}

/// 1 L per tick, Q3 2.5 m³/h. At most 2 ticks plus 3.4375 m³/h (171.875 ticks in three minutes) are
/// plausible.
inline MeterSettings counter_meter() {
    MeterSettings meter;
    meter.id = "house";
    meter.topic = "nodes/house";
    return meter;
}

/// The same meter with a node that saves its count every `ticks` ticks.
inline MeterSettings with_checkpoint(std::uint64_t ticks) {
    MeterSettings meter = counter_meter();
    meter.checkpoint_ticks = ticks;
    return meter;
}

inline Reading of_boot(std::uint64_t boot, std::uint64_t seq, std::uint64_t count) {
    return {.count = count, .boot = boot, .seq = seq};
}

/// Feeds readings to booking and keeps the entries.
class Booker {
public:
    explicit Booker(const MeterSettings& meter) : rules(meter) {}

    Booking operator()(Duration since_noon, Reading reading) {
        return with({.arrived_at = after(since_noon)}, reading);
    }
    Booking operator()(Duration since_noon, std::uint64_t count) {
        return (*this)(since_noon, Reading{.count = count});
    }

    Booking with(Circumstances came, Reading reading) {
        Booking booking = book(state, reading, came, rules);
        entries.insert(entries.end(), booking.entries().begin(), booking.entries().end());
        return booking;
    }

    [[nodiscard]] std::int64_t total() const {
        std::int64_t sum = 0;
        for (const Entry& entry : entries)
            sum += entry.ticks;
        return sum;
    }

    CounterRules rules;
    CounterState state;
    std::vector<Entry> entries;
};

}  // namespace tickledger::test
