#include "service/line_limiter.hpp"

#include <catch2/catch.hpp>

using namespace tickledger;
using namespace std::chrono_literals;
using Lines = std::vector<std::string>;

namespace {
const LineLimiter::Time start{100h};
}

TEST_CASE("a line repeated within a minute is written once, and later with the number of repetitions") {
    LineLimiter limiter;
    CHECK(limiter.pass("The disk is full.", start) == Lines{"The disk is full."});
    for (int i = 1; i <= 57; ++i)
        CHECK(limiter.pass("The disk is full.", start + i * 1s).empty());
    CHECK(limiter.pass("Something else.", start + 58s) == Lines{"Something else."});
    CHECK(limiter.pass("The disk is full.", start + 60s) ==
          Lines{"The disk is full. (Said 57 times more since it was last written.)"});
    CHECK(limiter.pass("The disk is full.", start + 61s).empty());
    CHECK(limiter.pass("The disk is full.", start + 3min) ==
          Lines{"The disk is full. (Said once more since it was last written.)"});
}

TEST_CASE("the first lines of a flood are written, and then the number of omitted lines") {
    LineLimiter limiter;
    std::size_t written = 0;
    for (int i = 0; i < 100'000; ++i)
        written += limiter.pass("Line " + std::to_string(i), start + i * 100us).size();
    CHECK(written == LineLimiter::lines_max);
    const Lines lines = limiter.pass("Later.", start + 2min);
    REQUIRE(lines.size() == 2);
    CHECK(lines[0] == "99800 lines were left out here, because there were too many.");
    CHECK(lines[1] == "Later.");
    CHECK(limiter.pass("Later still.", start + 2min) == Lines{"Later still."});
}
