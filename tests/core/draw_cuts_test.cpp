// Draws between two cuts have the same ticks, whatever entries outside the cuts are read.
#include <catch2/catch.hpp>

#include <rapidcheck/catch.h>

#include <algorithm>
#include <array>

#include "tickledger/draw.hpp"

using namespace tickledger;
using namespace std::chrono_literals;

namespace {

std::int64_t ticks_of(const std::vector<Draw>& draws, Span begun) {
    std::int64_t ticks = 0;
    for (const Draw& draw : draws) {
        if (draw.span.from >= begun.from && draw.span.from < begun.to) ticks += draw.ticks;
    }
    return ticks;
}

/// A day of readings, one per turn, with long pauses, uses and, in some houses, a constant leak.
std::vector<Entry> house() {
    const Duration turn = *rc::gen::element<Duration>(1s, 10s, 3min, 70min);
    const bool leaks = *rc::gen::arbitrary<bool>();
    const auto turns = static_cast<std::size_t>(30h / turn);
    const auto uses = *rc::gen::container<std::vector<std::pair<int, int>>>(
        40, rc::gen::pair(rc::gen::inRange(0, static_cast<int>(turns)), rc::gen::inRange(1, 40)));
    std::vector<Entry> entries(turns);
    for (std::size_t i = 0; i < turns; ++i) {
        entries[i].span = {Instant{turn * i}, Instant{turn * (i + 1)}};
        if (leaks) entries[i].ticks = turn * (i + 1) / 6min - turn * i / 6min;
    }
    for (const auto& [at, length] : uses) {
        for (int i = at; i < std::min(at + length, static_cast<int>(turns)); ++i)
            entries[static_cast<std::size_t>(i)].ticks += turn < 1min ? i % 2 : 5;
    }
    return entries;
}

}  // namespace

TEST_CASE("draws on the two sides of a cut, found separately, have all ticks") {
    rc::prop("for any house and any cut", [] {
        const std::vector<Entry> entries = house();
        const Instant cut{std::chrono::seconds{*rc::gen::inRange(3600, 29 * 3600)}};
        const std::array cuts{cut};
        const auto find = [&](std::span<const Entry> of) {
            auto draws = draws_in(of, 1, cuts);
            label_draws(draws, 1, {.cuts = cuts});
            for (const Draw& draw : draws)
                RC_ASSERT(draw.span.from >= cut || draw.span.to <= cut || draw.blur > 1h);
            return draws;
        };
        const auto last =
            std::ranges::find_if(entries, [&](const Entry& one) { return one.span.from > cut; });
        const auto before = find({entries.begin(), last});
        const auto all = find(entries);
        std::int64_t ticks = 0;
        for (const Entry& entry : entries)
            ticks += entry.ticks;
        RC_ASSERT(ticks_of(before, {Instant::min(), cut}) + ticks_of(all, {cut, Instant::max()}) == ticks);
        RC_ASSERT(ticks_of(all, {Instant::min(), Instant::max()}) == ticks);
    });
}
