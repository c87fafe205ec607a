#include "simulation/flow.hpp"

#include <rapidcheck/catch.h>

#include <catch2/catch.hpp>

#include "simulation/chance.hpp"

using namespace tickledger;
using namespace tickledger::simulation;
using std::chrono::hours;
using std::chrono::minutes;
using std::chrono::seconds;

namespace {
const Instant start = instant_of(1'772'323'200'000'000);  // 2026-03-01T00:00:00Z
constexpr std::int64_t litre_ul = 1'000'000;
}  // namespace

TEST_CASE("a shower of 8 L/min ticks every seven and a half seconds at 1 L") {
    const auto ticks = ticks_of({draw_of(Use::shower, start, 48, 8)}, litre_ul);
    // 8 L/min is 133 333.3 µL/s, rounded down, so the last tick would come just after the tap closes.
    REQUIRE(ticks.size() == 47);
    CHECK(ticks.front() - start >= std::chrono::milliseconds{7500});
    CHECK(ticks.front() - start < std::chrono::milliseconds{7501});
    CHECK(std::is_sorted(ticks.begin(), ticks.end()));
}

TEST_CASE("a leak of 36 L/h ticks every hundred seconds to the microsecond") {
    const auto ticks = ticks_of({leak({start, start + hours{1}}, 36)}, litre_ul);
    REQUIRE(ticks.size() == 36);
    for (std::size_t i = 0; i < ticks.size(); ++i)
        CHECK(ticks[i] == start + seconds{100} * (i + 1));
}

TEST_CASE("two taps at once tick twice as fast") {
    const Draw one = {{start, start + minutes{10}}, litre_ul / 10, Use::tap};
    CHECK(ticks_of({one, one}, litre_ul).size() == 2 * ticks_of({one}, litre_ul).size());
    CHECK(ticks_of({one, one}, litre_ul).front() == start + seconds{5});
}

TEST_CASE("what ran since the last tick brings the first one forward") {
    const Draw tap = {{start, start + seconds{10}}, litre_ul / 10, Use::tap};
    CHECK(ticks_of({tap}, litre_ul).front() == start + seconds{10});
    CHECK(ticks_of({tap}, litre_ul, litre_ul / 2).front() == start + seconds{5});
}

TEST_CASE("the number of ticks is the volume in whole pulse values") {
    rc::prop("for any draws and pulse value", [](std::uint64_t seed) {
        Chance chance(seed);
        const auto pulse_value_ul = static_cast<std::int64_t>(100 + chance.below(10 * litre_ul));
        std::vector<Draw> draws;
        std::int64_t volume_pl = 0;
        for (auto left = chance.below(20); left > 0; --left) {
            const Instant from = start + chance.moment(hours{3});
            const Draw draw{{from, from + chance.moment(minutes{10})},
                            static_cast<std::int64_t>(chance.below(90'000)),
                            Use::tap};
            volume_pl += draw.flow_ul_per_s * draw.span.length().count();
            draws.push_back(draw);
        }
        const auto ticks = ticks_of(draws, pulse_value_ul);
        RC_ASSERT(static_cast<std::int64_t>(ticks.size()) == volume_pl / (pulse_value_ul * 1'000'000));
        RC_ASSERT(std::is_sorted(ticks.begin(), ticks.end()));
    });
}
