// Water that runs through a meter, and the ticks its indicator makes of it.
#pragma once

#include <cstdint>
#include <vector>

#include "tickledger/time.hpp"

namespace tickledger::simulation {

/// What the water is used for.
enum class Use : std::uint8_t { flush, shower, bath, tap, washer, dishwasher, hose, irrigation, leak };
inline constexpr int use_count = 9;

/// Water that runs evenly for a while.
struct Draw {
    Span span;
    std::int64_t flow_ul_per_s = 0;
    Use use = Use::tap;

    [[nodiscard]] double volume_l() const;
};

/// Flows as people write them, in whole microlitres a second.
[[nodiscard]] std::int64_t flow_of_l_per_min(double l_per_min);
[[nodiscard]] std::int64_t flow_of_l_per_h(double l_per_h);

/// A draw of a given volume: as long as the flow needs for it.
[[nodiscard]] Draw draw_of(Use use, Instant from, double volume_l, double flow_l_per_min);

/// Water that never stops for as long as the leak lasts.
[[nodiscard]] Draw leak(Span span, double flow_l_per_h);

/// A leak as pipes have it: each hour its flow lies elsewhere within `wander` of the mean (0.1: ten percent).
[[nodiscard]] std::vector<Draw> wandering_leak(Span span, double flow_l_per_h, double wander,
                                               std::uint64_t seed);

/// When the indicator completes each pulse value, in order of time. Draws may overlap and need no order;
/// whole numbers throughout, so the count is the volume divided by the pulse value, rounded down.
/// `volume_before_ul` is what had run since the last tick when the first draw begins.
/// Preconditions: pulse_value_ul > volume_before_ul >= 0; the draws together stay below 2 L a second.
[[nodiscard]] std::vector<Instant> ticks_of(const std::vector<Draw>& draws, std::int64_t pulse_value_ul,
                                            std::int64_t volume_before_ul = 0);

}  // namespace tickledger::simulation
