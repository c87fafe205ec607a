// When each tick was, at the limits that decide whether a node reports ticks at once.
#include "core/tick_times.hpp"

#include <catch2/catch.hpp>

using namespace tickledger;

namespace {

using std::chrono::hours;
using std::chrono::minutes;
using std::chrono::seconds;

constexpr Duration moment{1};

/// Entries that follow one another.
struct Entries {
    void add(std::size_t count, Duration length, std::int64_t ticks) {
        for (std::size_t n = 0; n < count; ++n) {
            Entry entry;
            entry.span = {now, now + length};
            entry.ticks = ticks;
            all.push_back(entry);
            now += length;
        }
    }
    /// How long before the end of its span the first tick may have been.
    [[nodiscard]] Duration window() const { return tick_times(all, 1).ticks.at(0).window.length(); }

    Instant now{};
    std::vector<Entry> all;
};

/// Half of the ticks end spans of 30 s, the other half spans of `length`. Spans without ticks last `usual`.
Duration window_of(Duration length, Duration usual, std::size_t with_ticks = 10) {
    Entries entries;
    entries.add(with_ticks / 2, length, 1);
    entries.add(with_ticks - with_ticks / 2, seconds{30}, 1);
    entries.add(20, usual, 0);
    return entries.window();
}

}  // namespace

TEST_CASE("a node reports ticks at once if most spans with ticks differ by a fifth from those without") {
    const Duration usual = minutes{10};
    // Half of them are as long as the others, so the node may send at its cadence.
    CHECK(window_of(usual, usual) == usual);
    CHECK(window_of(minutes{12}, usual) == minutes{12});
    CHECK(window_of(minutes{8}, usual) == minutes{8});
    CHECK(window_of(minutes{12} + moment, usual) == seconds{30});
    CHECK(window_of(minutes{8} - moment, usual) == seconds{30});
    // Five of eleven are less than half.
    CHECK(window_of(usual, usual, 11) == seconds{30});
    CHECK(window_of(usual, usual, 12) == usual);
    // Nine spans with ticks are too few to decide.
    CHECK(window_of(minutes{20}, usual, 9) == minutes{20});
    CHECK(window_of(minutes{20}, usual, 10) == seconds{30});
}

TEST_CASE("a node reports ticks at once if nearly all spans have ticks") {
    const auto window = [](std::size_t with_ticks) {
        Entries entries;
        entries.add(with_ticks, minutes{1}, 1);
        entries.all[0].span.from -= minutes{4};
        entries.add(1, minutes{1}, 0);
        return entries.window();
    };
    CHECK(window(10) == minutes{5});
    CHECK(window(11) == minutes{1});
}

TEST_CASE("a node whose pauses are ten seconds or less reports ticks to the second") {
    const auto window = [](Duration closest) {
        Entries entries;
        entries.add(20, minutes{1}, 1);
        entries.add(2, closest, 1);
        return entries.window();
    };
    CHECK(window(seconds{10}) == seconds{1});
    CHECK(window(seconds{10} + moment) == seconds{10} + moment);
}

TEST_CASE("a span of more than an hour is not examined, and a lone tick needs no open tap") {
    const auto times = [](Duration length) {
        Entries entries;
        entries.add(1, length, 1);
        return tick_times(entries.all, 1);
    };
    CHECK(times(hours{1}).too_coarse.empty());
    CHECK(times(hours{1} + moment).too_coarse.size() == 1);
    // An open tap makes at least a litre per minute. One more tick may be just outside the span.
    CHECK_FALSE(times(minutes{2}).ticks.at(0).is_lone);
    CHECK(times(minutes{2} + moment).ticks.at(0).is_lone);
}

TEST_CASE("ticks of one span are spread evenly in it, and the first after a gap is marked") {
    Entries entries;
    entries.add(1, minutes{4}, 2);
    entries.add(1, minutes{1}, 1);
    entries.now += moment;
    entries.add(1, minutes{1}, 1);
    entries.all.push_back(entries.all.back());
    entries.all.back().kind = EntryKind::adjustment;
    entries.add(1, minutes{1}, 1);
    const auto ticks = tick_times(entries.all, 1).ticks;
    REQUIRE(ticks.size() == 5);
    CHECK(ticks[0].at == Instant{} + minutes{1});
    CHECK(ticks[1].at == Instant{} + minutes{3});
    std::vector<bool> after_gap;
    for (const TickTime& tick : ticks)
        after_gap.push_back(tick.after_gap);
    CHECK(after_gap == std::vector<bool>{true, false, false, true, false});
}
