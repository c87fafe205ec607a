// What the pauses between readings show about a node's cadence.
#include "tickledger/cadence.hpp"

#include <catch2/catch.hpp>

using namespace std::chrono_literals;
using namespace tickledger;

TEST_CASE("a node that sends every 15 minutes contradicts a cadence of 3 minutes") {
    CHECK(longer_cadence({15min + 2s, 15min, 14min + 58s, 15min + 1s, 15min, 15min}, 3min) ==
          Duration{15min});
    CHECK(longer_cadence({15min, 15min, 15min, 15min, 15min, 15min}, 15min) == std::nullopt);
    CHECK(longer_cadence({15min, 15min, 15min, 15min, 15min, 15min}, 10min) == std::nullopt);
    CHECK(longer_cadence({15min, 15min, 15min, 15min, 15min, 15min}, 10min - 1s) == Duration{15min});
}

TEST_CASE("five pauses do not contradict a cadence, nor do long pauses if every fifth message is on time") {
    CHECK(longer_cadence({}, 3min) == std::nullopt);
    CHECK(longer_cadence({15min, 15min, 15min, 15min, 15min}, 3min) == std::nullopt);
    // Every fifth message arrived on time.
    CHECK(longer_cadence({15min, 15min, 15min, 15min, 3min, 15min, 15min, 15min, 15min, 3min}, 3min) ==
          std::nullopt);
    // One message in twenty was sent out of turn.
    std::vector<Duration> pauses(20, 15min);
    pauses[7] = 2s;
    CHECK(longer_cadence(pauses, 3min) == Duration{15min});
}

TEST_CASE("a cadence is rounded as a person would write it") {
    CHECK(rounded_cadence(300ms) == 1s);
    CHECK(rounded_cadence(29s + 700ms) == 30s);
    CHECK(rounded_cadence(60s + 4s) == 1min);
    CHECK(rounded_cadence(90s) == 90s);
    CHECK(rounded_cadence(10min + 31s) == 11min);
    CHECK(rounded_cadence(59min + 40s) == 1h);
}
