// One trial of cutting the ticks into draws, before any is joined and named: a simulated house whose water
// runs steadily, a meter, how finely its node tells; what was found of what ran.
#pragma once

#include <cstdint>
#include <vector>

#include "simulation/household.hpp"
#include "tickledger/draw.hpp"

namespace tickledger::draws {

struct Trial {
    std::uint64_t seed = 0;
    double pulse_value_l = 1;
    /// The node tells at every tick, to the second; or at this cadence.
    Duration cadence{};
    int days = 14;
};

struct Outcome {
    /// Draws that ran with at least two pulse values: fewer make one tick or none.
    int countable = 0;
    int found = 0;  ///< One within a tick of its volume lies over it.
    int alone = 0;  ///< Of the countable: nothing else ran beside them, or nearly so.
    int alone_found = 0;

    Outcome& operator+=(const Outcome& other);
};

[[nodiscard]] Outcome measure(const Trial& trial);

}  // namespace tickledger::draws
