// The value below which a given share of a sample lies.
#pragma once

#include <algorithm>
#include <cstddef>
#include <utility>
#include <vector>

#include "tickledger/check.hpp"

namespace tickledger {

/// Always one of the values: the median of an even number of them is the upper middle one. Preconditions: not
/// empty; 0 <= share <= 1.
[[nodiscard]] inline double quantile(std::vector<double> values, double share) {
    TICKLEDGER_CHECK(!values.empty() && share >= 0 && share <= 1,
                     "a quantile is asked of values, for a share between 0 and 1");
    const auto place = static_cast<std::size_t>(share * static_cast<double>(values.size()));
    const auto at = values.begin() + static_cast<std::ptrdiff_t>(std::min(place, values.size() - 1));
    std::nth_element(values.begin(), at, values.end());
    return *at;
}

[[nodiscard]] inline double median(std::vector<double> values) {
    return quantile(std::move(values), 0.5);
}

}  // namespace tickledger
