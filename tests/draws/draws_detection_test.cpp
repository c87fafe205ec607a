// Draws and labels on a few simulated houses: enough to fail where they went blind. docs/draws.md has the
// whole measurement.
#include <catch2/catch.hpp>

#include "draws/trial.hpp"

using namespace tickledger::draws;

namespace {

Outcome houses(int count, double pulse_value_l) {
    Outcome sum;
    for (int i = 0; i < count; ++i)
        sum += measure(
            {.seed = 600'000 + static_cast<std::uint64_t>(i), .pulse_value_l = pulse_value_l, .cadence = {}});
    return sum;
}

}  // namespace

TEST_CASE("draws that ran alone are all found, to the tick") {
    const Outcome outcome = houses(20, 1);
    CHECK(outcome.alone_found >= 0.99 * outcome.alone);
    CHECK(outcome.found >= 0.85 * outcome.countable);
}

TEST_CASE("four fifths of the water carry the right label") {
    const Outcome outcome = houses(20, 1);
    CHECK(outcome.labelled_l >= 0.8 * outcome.volume_l);
}
