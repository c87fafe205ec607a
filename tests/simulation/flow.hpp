// Water that runs through a meter, and the ticks that its indicator makes.
#pragma once

#include <cstdint>
#include <vector>

#include "tickledger/time.hpp"

namespace tickledger::simulation {

/// What the water is used for.
enum class Use : std::uint8_t { flush, shower, bath, tap, washer, dishwasher, hose, irrigation, leak };
inline constexpr int use_count = 9;

/// Water that runs at a constant flow for a while.
struct Draw {
    Span span;
    std::int64_t flow_ul_per_s = 0;
    Use use = Use::tap;

    [[nodiscard]] double volume_l() const;
};

/// Conversions from the usual units into whole microlitres a second.
[[nodiscard]] std::int64_t flow_of_l_per_min(double l_per_min);
[[nodiscard]] std::int64_t flow_of_l_per_h(double l_per_h);

/// A draw of a given volume; it lasts as long as the volume takes at this flow.
[[nodiscard]] Draw draw_of(Use use, Instant from, double volume_l, double flow_l_per_min);

/// Water that runs without a stop during the span.
[[nodiscard]] Draw leak(Span span, double flow_l_per_h);

/// A leak as pipes have it: every hour its flow takes another value within `wander` of the mean (0.1: ten
/// percent).
[[nodiscard]] std::vector<Draw> wandering_leak(Span span, double flow_l_per_h, double wander,
                                               std::uint64_t seed);

/// When the indicator completes each pulse value, in order of time. Draws may overlap and come in any order.
/// All arithmetic is in whole numbers, so the count is the volume divided by the pulse value, rounded down.
/// `volume_before_ul` is the volume that ran between the last tick and the start of the first draw.
/// Preconditions: pulse_value_ul > volume_before_ul >= 0; the draws together stay below 2 L a second.
[[nodiscard]] std::vector<Instant> ticks_of(const std::vector<Draw>& draws, std::int64_t pulse_value_ul,
                                            std::int64_t volume_before_ul = 0);

}  // namespace tickledger::simulation
