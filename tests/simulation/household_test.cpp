#include "simulation/household.hpp"

#include <algorithm>
#include <catch2/catch.hpp>
#include <numeric>

using namespace tickledger;
using namespace tickledger::simulation;
using std::chrono::hours;

namespace {

const Instant start = instant_of(1'772'323'200'000'000);  // 2026-03-01T00:00:00Z

std::vector<Draw> days(const Household& household, std::uint64_t seed, int day_count) {
    std::vector<Draw> all;
    for (int day = 0; day < day_count; ++day) {
        const auto draws = household.day(seed, day, start + day * hours{24});
        all.insert(all.end(), draws.begin(), draws.end());
    }
    return all;
}

double litres(const std::vector<Draw>& draws, Use use) {
    return std::accumulate(draws.begin(), draws.end(), 0.0, [&](double sum, const Draw& draw) {
        return draw.use == use ? sum + draw.volume_l() : sum;
    });
}

}  // namespace

TEST_CASE("a day is the same whenever it is asked for, and another with another seed") {
    const Household flat;
    const auto one = flat.day(1, 3, start);
    const auto again = flat.day(1, 3, start + hours{24});
    REQUIRE(one.size() == again.size());
    for (std::size_t i = 0; i < one.size(); ++i) {
        CHECK(one[i].span.from + hours{24} == again[i].span.from);
        CHECK(one[i].flow_ul_per_s == again[i].flow_ul_per_s);
    }
    CHECK(ticks_of(one, 1'000'000) != ticks_of(flat.day(2, 3, start), 1'000'000));
    CHECK(ticks_of(one, 1'000'000) != ticks_of(flat.day(1, 4, start), 1'000'000));
}

TEST_CASE("a household's uses are of the published order of magnitude") {
    // Litres a person and day. Per end use and in sum: BDEW 2018 (Germany), 127 L in all, 46 for the body and
    // 34 for the toilet; SVGW (Switzerland) 142 L; CCW (UK) 152 L. Second-hand. Wide bounds: an order of
    // magnitude.
    const Household flat{3, Shower::mixer, true, true};
    constexpr int day_count = 400;
    const auto draws = days(flat, 7, day_count);
    const double person_days = 3.0 * day_count;
    const double flush = litres(draws, Use::flush) / person_days;
    const double shower = litres(draws, Use::shower) / person_days;
    const double washer = litres(draws, Use::washer) / person_days;
    const double sum = flush + shower + washer + litres(draws, Use::tap) / person_days +
                       litres(draws, Use::dishwasher) / person_days;
    CHECK(flush > 20);
    CHECK(flush < 45);
    CHECK(shower > 30);
    CHECK(shower < 60);
    CHECK(washer > 8);
    CHECK(washer < 25);
    CHECK(sum > 90);
    CHECK(sum < 180);
}

TEST_CASE("at night people flush, and nothing else runs") {
    const auto draws = days(Household{}, 11, 200);
    const auto at_night = [](const Draw& draw) {
        const auto time_of_day = (draw.span.from - start) % hours{24};
        return time_of_day >= hours{1} && time_of_day < hours{5};
    };
    REQUIRE(std::any_of(draws.begin(), draws.end(), at_night));
    for (const Draw& draw : draws) {
        if (at_night(draw)) CHECK(draw.use == Use::flush);
    }
}

TEST_CASE("the garden is watered every other day") {
    const Garden garden;
    const auto is_irrigation = [](const Draw& draw) { return draw.use == Use::irrigation; };
    for (int day = 0; day < 14; ++day) {
        const auto draws = garden.day(5, day, start);
        CHECK(std::any_of(draws.begin(), draws.end(), is_irrigation) == (day % 2 == 0));
    }
}
