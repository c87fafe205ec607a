// Simulated and measured uses side by side.
#pragma once

#include <string>
#include <vector>

#include "draws/homes.hpp"

namespace tickledger::draws {

/// A table of the 10, 50 and 90 % quantiles of volume, flow and length of showers, flushes, taps and
/// machines' fills. It covers the simulated homes, the flat, the house of five, and showers.csv (3 757
/// showers at 56 heads) in the directory `real`. Nominal values that were not measured are left out.
[[nodiscard]] std::string quantile_table(const std::vector<Home>& simulated, const Home& flat,
                                         const Home& house_of_five, const std::string& real);

}  // namespace tickledger::draws
