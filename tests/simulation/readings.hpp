// The readings of a node that counts faithfully and speaks at a cadence, as fast as months of them are
// needed.
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

/// How a node speaks, and how the messages fare.
struct SpeakingHabits {
    Duration cadence = std::chrono::minutes{3};
    /// Each message comes so much later at most than its turn.
    Duration jitter = std::chrono::seconds{2};
    /// Single messages that never come.
    double lost_share = 0.005;
    /// Stretches in which none comes, of half an hour to eight hours.
    double outages_a_day = 1.0 / 30;
    /// The node starts anew and keeps its count.
    double restarts_a_day = 1.0 / 60;
};

/// What a node on this meter says within the span. `ticks` in order of time.
[[nodiscard]] std::vector<NodeReading> readings_of(const std::vector<Instant>& ticks, Span span,
                                                   const SpeakingHabits& habits, std::uint64_t seed);

}  // namespace tickledger::simulation
