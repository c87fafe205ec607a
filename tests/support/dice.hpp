// Random numbers for tests that compare their results with stored ones.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <random>

namespace tickledger::test {

/// Uses an engine of the standard library that gives the same numbers everywhere.
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
