// Random choices from a seed: the same on every machine, so that a failure can be replayed.
#pragma once

#include <cstdint>
#include <random>

#include "tickledger/time.hpp"

namespace tickledger::simulation {

/// A stream of random choices. Two streams of the same seed are the same. The standard library's own
/// distributions differ between libraries, so they are not used.
class Chance {
public:
    explicit Chance(std::uint64_t seed) : engine_(seed) {}

    /// A seed for an independent stream: day 3 of flat 2 does not depend on day 2.
    [[nodiscard]] static std::uint64_t seed_of(std::uint64_t seed, std::uint64_t part);

    /// In [0, 1).
    [[nodiscard]] double share();
    /// A whole number in [0, bound). Precondition: bound > 0.
    [[nodiscard]] std::uint64_t below(std::uint64_t bound);
    [[nodiscard]] double between(double from, double to) { return from + (to - from) * share(); }
    [[nodiscard]] bool happens(double probability) { return share() < probability; }
    /// How often an event with this mean number of independent occurrences happens (Poisson).
    [[nodiscard]] int times(double mean);
    /// In [0, length), to the microsecond. Precondition: length > 0.
    [[nodiscard]] Duration moment(Duration length);

private:
    std::mt19937_64 engine_;
};

}  // namespace tickledger::simulation
