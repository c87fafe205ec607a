// One trial of the draws: a simulated house, a meter, how finely its node tells; what was found of what ran.
#pragma once

#include <array>
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
    int told = 0;           ///< Draws that were told at all.
    double volume_l = 0;    ///< Of everything that ran.
    double labelled_l = 0;  ///< Of what carries the right label.
    /// Litres by true label and told label (the last: none).
    std::array<std::array<double, draw_label_count + 1>, draw_label_count> confusion_l{};
    /// Litres by told confidence in tenths, and those of them that were right.
    std::array<double, 10> confidence_l{};
    std::array<double, 10> right_l{};

    Outcome& operator+=(const Outcome& other);
};

[[nodiscard]] Outcome measure(const Trial& trial);

}  // namespace tickledger::draws
