// Draws and labels on a few simulated houses. They are enough to notice a clear loss of quality.
// docs/draws.md has the whole measurement.
#include <catch2/catch.hpp>

#include "draws/score.hpp"
#include "draws/trial.hpp"

using namespace tickledger;
using namespace tickledger::draws;

namespace {

Outcome houses(int count, double pulse_value_l) {
    Outcome sum;
    for (int i = 0; i < count; ++i)
        sum += measure(
            {.seed = 600'000 + static_cast<std::uint64_t>(i), .pulse_value_l = pulse_value_l, .cadence = {}});
    return sum;
}

Score wild_homes(int count, const MeterAndNode& meter, double leak_l_per_h = 0) {
    Score sum;
    for (int i = 0; i < count; ++i) {
        Home home = wild_home(600'000 + static_cast<std::uint64_t>(i), 21);
        if (leak_l_per_h > 0) home = with_leak(std::move(home), leak_l_per_h, static_cast<std::uint64_t>(i));
        sum += score(home, meter, [](int week) { return week == 2; });
    }
    return sum;
}

}  // namespace

TEST_CASE("draws that ran alone are all found, to the tick") {
    const Outcome outcome = houses(20, 1);
    CHECK(outcome.alone_found >= 0.99 * outcome.alone);
    CHECK(outcome.found >= 0.85 * outcome.countable);
}

// The thresholds allow a few hundredths of difference from the results of these 24 homes: 0.796, 0.956, 0.023
// and 0.661, 0.857, 0.032. Two homes in five have a garden.
TEST_CASE("in wild homes nearly four litres in five have the right label, and the confidence is calibrated") {
    const Score told = wild_homes(24, {1, {}});
    CHECK(told.right_share() >= 0.77);
    CHECK(told.recall(DrawLabel::shower) >= 0.93);
    CHECK(told.calibration_error() <= 0.05);
}

TEST_CASE("readings three minutes apart still show showers") {
    const Score told = wild_homes(24, {1, std::chrono::minutes{3}});
    CHECK(told.right_share() >= 0.63);
    CHECK(told.recall(DrawLabel::shower) >= 0.82);
    CHECK(told.calibration_error() <= 0.05);
}

TEST_CASE("a leak of 20 L/h is labelled as a leak") {
    const Score told = wild_homes(4, {1, {}}, 20);
    CHECK(told.recall(DrawLabel::leak) >= 0.7);
}
