// Chance for tests that hold what they see against what was seen before.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <random>

namespace tickledger::test {

/// Of the standard library, whose numbers are the same everywhere.
class Dice {
public:
    explicit Dice(std::uint64_t seed) : engine_(seed) {}
    std::uint64_t below(std::uint64_t bound) { return engine_() % bound; }
    bool one_in(std::uint64_t n) { return below(n) == 0; }
    template <typename T, std::size_t size>
    T of(const std::array<T, size>& values) {
        return values.at(below(size));
    }

private:
    std::mt19937_64 engine_;
};

}  // namespace tickledger::test
