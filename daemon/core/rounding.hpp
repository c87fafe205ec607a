// Rounds ratios to whole numbers: once, half to even.
#pragma once

#include <cstdint>
#include <limits>

namespace tickledger {

/// numerator / denominator, half to even, saturated at 64 bits. `Whole` is any signed integer type, wide or
/// unbounded. Precondition: denominator > 0.
template <typename Whole>
[[nodiscard]] std::int64_t rounded(const Whole& numerator, const Whole& denominator) {
    constexpr std::int64_t most = std::numeric_limits<std::int64_t>::max();
    constexpr std::int64_t least = std::numeric_limits<std::int64_t>::min();
    Whole quotient = numerator / denominator;
    Whole rest = numerator % denominator;
    if (rest < 0) {
        rest += denominator;
        quotient -= 1;
    }
    // Compared by a difference, because twice the rest might not fit.
    const Whole left = denominator - rest;
    if (rest > left || (rest == left && quotient % 2 != 0)) quotient += 1;
    if (quotient > most) return most;
    if (quotient < least) return least;
    return static_cast<std::int64_t>(quotient);
}

}  // namespace tickledger
