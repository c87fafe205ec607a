// What simulated and measured uses are like, side by side.
#pragma once

#include <string>
#include <vector>

#include "draws/homes.hpp"

namespace tickledger::draws {

/// A table of the 10, 50 and 90 % quantiles of volume, flow and length of showers, flushes, taps and
/// machines' fills: of the simulated homes, of the flat, of the house of five, and of showers.csv (3 757
/// showers at 56 heads), which lies in `real`. What is nominal there and not measured is left out.
[[nodiscard]] std::string quantile_table(const std::vector<Home>& simulated, const Home& flat,
                                         const Home& house_of_five, const std::string& real);

}  // namespace tickledger::draws
