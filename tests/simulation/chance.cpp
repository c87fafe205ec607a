#include "simulation/chance.hpp"

#include <cmath>

namespace tickledger::simulation {

std::uint64_t Chance::seed_of(std::uint64_t seed, std::uint64_t part) {
    // The final mix of splitmix64 (public domain), so that neighbouring seeds give unrelated streams.
    std::uint64_t mixed = seed + (part + 1) * 0x9E3779B97F4A7C15U;
    mixed = (mixed ^ (mixed >> 30U)) * 0xBF58476D1CE4E5B9U;
    mixed = (mixed ^ (mixed >> 27U)) * 0x94D049BB133111EBU;
    return mixed ^ (mixed >> 31U);
}

double Chance::share() {
    return static_cast<double>(engine_() >> 11U) * 0x1.0p-53;
}

std::uint64_t Chance::below(std::uint64_t bound) {
    // The remainder favours small numbers by less than bound / 2^64, too little for any test here.
    return engine_() % bound;
}

int Chance::times(double mean) {
    const double limit = std::exp(-mean);
    int times = 0;
    for (double product = share(); product > limit; product *= share())
        ++times;
    return times;
}

Duration Chance::moment(Duration length) {
    return Duration{static_cast<std::int64_t>(below(static_cast<std::uint64_t>(length.count())))};
}

}  // namespace tickledger::simulation
