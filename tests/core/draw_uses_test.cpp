// The labels of a meter's draws if its uses are configured.
#include <catch2/catch.hpp>

#include <algorithm>
#include <array>

#include "tickledger/draw.hpp"

using namespace tickledger;
using namespace std::chrono_literals;

namespace {

constexpr std::array of_a_garden{DrawLabel::hose, DrawLabel::tap};

/// Two days of a garden: a hose for 4 minutes at 12 L/min every evening, and some watering cans.
std::vector<Draw> days_of_a_garden() {
    std::vector<Entry> entries;
    for (int minute = 0; minute < 2 * 24 * 60; ++minute) {
        const int of_day = minute % (24 * 60);
        Entry entry;
        entry.span = {Instant{1min * minute}, Instant{1min * (minute + 1)}};
        if (of_day >= 19 * 60 && of_day < 19 * 60 + 4) entry.ticks = 12;
        if (of_day == 8 * 60 + 5 || of_day == 18 * 60 + 30) entry.ticks = 5;
        entries.push_back(entry);
    }
    return draws_in(entries, 1);
}

}  // namespace

TEST_CASE("a garden's meter showed showers because a hose looks like one") {
    auto draws = days_of_a_garden();
    label_draws(draws, 1);
    CHECK(std::ranges::any_of(draws, [](const Draw& draw) { return draw.label == DrawLabel::shower; }));
    draws = days_of_a_garden();
    label_draws(draws, 1, {.uses = of_a_garden});
    std::int64_t hoses = 0;
    for (const Draw& draw : draws) {
        CHECK((draw.label == DrawLabel::hose || draw.label == DrawLabel::tap));
        CHECK(draw.confidence > 0.5);
        hoses += draw.label == DrawLabel::hose && draw.ticks == 48;
    }
    CHECK(hoses == 2);
}

TEST_CASE("a label from a person counts even if it is not among the meter's uses") {
    auto draws = days_of_a_garden();
    const std::array told{
        ToldDraw{Instant{19h + 2min}, DrawLabel::shower, "after the pool", 48'000'000, 720'000}};
    label_draws(draws, 1, {.told = told, .uses = of_a_garden});
    const auto evening = std::ranges::find(draws, 48, &Draw::ticks);
    REQUIRE(evening != draws.end());
    CHECK(evening->label == DrawLabel::shower);
    CHECK(evening->told);
}
