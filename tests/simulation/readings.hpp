// The readings of a node that counts correctly and sends at a cadence. Fast enough for many months of them.
#pragma once

#include <cstdint>
#include <vector>

#include "tickledger/time.hpp"

namespace tickledger::simulation {

struct NodeReading {
    Instant at{};
    std::uint64_t count = 0;
    std::uint64_t boot = 0;
    std::uint64_t seq = 0;
};

/// How a node sends, and how many of its messages are lost.
struct SpeakingHabits {
    Duration cadence = std::chrono::minutes{3};
    /// The most by which a message is late.
    Duration jitter = std::chrono::seconds{2};
    /// The share of single messages that never arrive.
    double lost_share = 0.005;
    /// Outages of half an hour to eight hours, in which no message arrives.
    double outages_a_day = 1.0 / 30;
    /// Restarts in which the node keeps its count.
    double restarts_a_day = 1.0 / 60;
};

/// The readings of a node on this meter within the span. `ticks` must be in order of time.
[[nodiscard]] std::vector<NodeReading> readings_of(const std::vector<Instant>& ticks, Span span,
                                                   const SpeakingHabits& habits, std::uint64_t seed);

}  // namespace tickledger::simulation
