#include "link/back_off.hpp"

#include <catch2/catch.hpp>

using namespace tickledger;
using namespace std::chrono_literals;

TEST_CASE("waits double from a second to a minute, within a fifth either way") {
    BackOff back_off;
    for (const Duration mean : {1s, 2s, 4s, 8s, 16s, 32s, 60s, 60s}) {
        const Duration wait = back_off.next();
        CHECK(wait >= mean * 8 / 10);
        CHECK(wait <= mean * 12 / 10);
    }
    back_off.reset();
    CHECK(back_off.next() <= 1200ms);
}

TEST_CASE("waits of several daemons differ") {
    std::vector<Duration> waits;
    for (int daemon = 0; daemon < 8; ++daemon)
        waits.push_back(BackOff{}.next());
    CHECK(std::adjacent_find(waits.begin(), waits.end(), std::not_equal_to<>{}) != waits.end());
}
