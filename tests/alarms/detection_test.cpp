// The detectors on a few simulated houses: enough to fail if one never raises an alarm, always raises one, or
// is off by a factor of two. docs/alarms.md has the whole measurement.
#include <catch2/catch.hpp>

#include "alarms/trial.hpp"

using namespace tickledger;
using namespace tickledger::alarms;

namespace {

constexpr std::uint64_t first_seed = 500'000;

struct Found {
    int houses = 0;
    int first_nights = 0;
    int first_nights_found = 0;
    int night_raised = 0;
    int slow_raised = 0;
    int within_a_week = 0;
    int within_a_fortnight = 0;
};

Found trial(int houses, double leak_l_per_h) {
    Found found;
    found.houses = houses;
    for (int i = 0; i < houses; ++i) {
        const Month month =
            month_of({.seed = first_seed + static_cast<std::uint64_t>(i), .leak_l_per_h = leak_l_per_h});
        const Outcome outcome = watch(month);
        if (outcome.first_night_found) ++found.first_nights;
        if (outcome.first_night_found.value_or(false)) ++found.first_nights_found;
        found.night_raised += static_cast<int>(outcome.night_raised.size());
        found.slow_raised += static_cast<int>(outcome.slow_raised.size());
        if (!month.leak_from || outcome.slow_raised.empty()) continue;
        const Duration delay = outcome.slow_raised.front() - *month.leak_from;
        if (delay <= std::chrono::hours{7 * 24}) ++found.within_a_week;
        if (delay <= std::chrono::hours{14 * 24}) ++found.within_a_fortnight;
    }
    return found;
}

}  // namespace

TEST_CASE("houses without a leak raise no alarm in five house-years") {
    const Found found = trial(60, 0);
    CHECK(found.night_raised == 0);
    CHECK(found.slow_raised == 0);
}

TEST_CASE("night-flow finds a leak of twice the smallest visible flow in the first whole night") {
    const Found found = trial(40, 4);
    CHECK(found.first_nights >= 38);
    CHECK(found.first_nights_found == found.first_nights);
}

TEST_CASE("night-flow does not report a leak of half the smallest visible flow") {
    CHECK(trial(40, 1).night_raised <= 1);
}

TEST_CASE("slow-leak finds half a litre an hour within a week") {
    CHECK(trial(40, 0.5).within_a_week >= 37);
}

TEST_CASE("slow-leak finds a quarter of a litre an hour within a fortnight") {
    CHECK(trial(40, 0.25).within_a_fortnight >= 34);
}
