// Numbers of the ledger's blocks. Their sums and differences wrap at 2^64, so each can be undone exactly,
// whatever the numbers are.
#pragma once

#include <cstdint>

#include "tickledger/time.hpp"

namespace tickledger {

/// No span of a ledger is longer than this: 70 000 years.
inline constexpr std::uint64_t span_max_us = std::uint64_t{1} << 61;

/// A moment in microseconds since 1970.
[[nodiscard]] inline std::uint64_t number_of(Instant t) {
    return static_cast<std::uint64_t>(microseconds_of(t));
}
[[nodiscard]] inline Instant instant_at(std::uint64_t number) {
    return instant_of(static_cast<std::int64_t>(number));
}

}  // namespace tickledger
