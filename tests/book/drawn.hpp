// Runs that rapidcheck draws as lists of steps. A run that fails shrinks to the few steps that matter.
#pragma once

#include <rapidcheck.h>

#include <cstdint>
#include <utility>
#include <vector>

#include "tickledger/time.hpp"

namespace tickledger::test {

/// Choices read from a list of numbers. At a 0, or past the end of the list, nothing happens and the first
/// option is taken, which makes the plainest run.
class Tape {
public:
    Tape() = default;
    explicit Tape(std::vector<std::uint32_t> numbers) : numbers_(std::move(numbers)) {}

    [[nodiscard]] std::uint64_t below(std::uint64_t bound) { return next() % bound; }
    [[nodiscard]] bool happens(double probability) { return 1 - next() / 4294967296.0 < probability; }
    /// In [0, length).
    [[nodiscard]] Duration moment(Duration length) {
        return Duration{
            static_cast<std::int64_t>(static_cast<double>(length.count()) * (next() / 4294967296.0))};
    }

private:
    std::uint32_t next() { return at_ < numbers_.size() ? numbers_[at_++] : 0; }

    std::vector<std::uint32_t> numbers_;
    std::size_t at_ = 0;
};

/// What a run is made of: its settings, its steps, and a seed for how it is played.
struct Draws {
    std::vector<std::uint32_t> settings;
    std::vector<std::vector<std::uint32_t>> steps;
    std::uint64_t seed = 0;
};

inline Draws draw(std::size_t steps) {
    const auto number = rc::gen::inRange<std::uint32_t>(0, 0xFFFFFFFF);
    Draws draws;
    draws.settings = *rc::gen::container<std::vector<std::uint32_t>>(16, number);
    draws.steps = *rc::gen::resize(static_cast<int>(steps),
                                   rc::gen::container<std::vector<std::vector<std::uint32_t>>>(
                                       rc::gen::container<std::vector<std::uint32_t>>(20, number)));
    draws.seed = *rc::gen::inRange<std::uint64_t>(1, 1'000'000'000);
    return draws;
}

}  // namespace tickledger::test
