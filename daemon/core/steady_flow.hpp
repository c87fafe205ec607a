// Steady flow: ticks that follow one another at an even pace.
#pragma once

#include <cstddef>
#include <span>
#include <vector>

#include "core/tick_times.hpp"

namespace tickledger {

/// A stretch of steady flow from one tick to another. Its ticks are one pause apart.
struct Piece {
    std::size_t first = 0;
    std::size_t last = 0;
    double pause_s = 0;

    [[nodiscard]] std::size_t pauses() const { return last - first; }
};

/// Cuts a run of ticks into the pieces of steady flow that explain it best. Each piece costs its misfit, and
/// a fixed amount that chance reaches once in a few hundred runs.
///
/// Precondition: not empty. A single tick has no pieces.
[[nodiscard]] std::vector<Piece> pieces_of(std::span<const TickTime> ticks);

[[nodiscard]] inline double seconds_between(Instant from, Instant to) {
    return std::chrono::duration<double>(to - from).count();
}

}  // namespace tickledger
