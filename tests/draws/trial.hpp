// One trial of cutting the ticks into draws, before draws are joined and labelled. A trial has a simulated
// house with steady flows, a meter and a cadence. Its outcome is how many of the true draws were found.
#pragma once

#include <cstdint>
#include <vector>

#include "simulation/household.hpp"
#include "tickledger/draw.hpp"

namespace tickledger::draws {

struct Trial {
    std::uint64_t seed = 0;
    double pulse_value_l = 1;
    /// The node sends at this cadence. 0: at every tick, to the second.
    Duration cadence{};
    int days = 14;
};

struct Outcome {
    /// Draws of at least two pulse values. Smaller ones make one tick or none.
    int countable = 0;
    int found = 0;  ///< A draw within one tick of its volume overlaps it.
    int alone = 0;  ///< Countable draws that ran without another draw at or near their time.
    int alone_found = 0;

    Outcome& operator+=(const Outcome& other);
};

[[nodiscard]] Outcome measure(const Trial& trial);

}  // namespace tickledger::draws
