// What is booked where a node began anew, told or not.
#include "booking_fixture.hpp"

using namespace tickledger;
using namespace tickledger::test;
using std::chrono::hours;
using std::chrono::seconds;

TEST_CASE("a told restart books from the saved count") {
    Booker book(counter_meter());
    (void)book(minutes(0), of_boot(1, 9, 5040));
    CHECK(book(minutes(6), {.count = 5012, .boot = 2, .seq = 0, .saved = 5000}).outcome == Outcome::booked);
    REQUIRE(book.entries.size() == 1);
    CHECK(book.entries[0].kind == EntryKind::restart);
    CHECK(book.entries[0].ticks == 12);
    // 1.1 Q4 over six minutes allows 345 ticks; 12 are booked.
    CHECK(book.entries[0].unseen_max == 345 - 12);
}

TEST_CASE("a told restart without a saved count books from the last checkpoint") {
    Booker book(with_checkpoint(1000));
    (void)book(minutes(0), of_boot(1, 9, 5040));
    (void)book(minutes(3), of_boot(2, 0, 5012));
    CHECK(book.entries[0].ticks == 12);
}

TEST_CASE("a node that saves each tick loses none") {
    Booker book(with_checkpoint(1));
    (void)book(minutes(0), of_boot(1, 9, 5040));
    (void)book(minutes(3), of_boot(2, 0, 5044));
    CHECK(book.entries[0].ticks == 4);
    CHECK(book.entries[0].kind == EntryKind::restart);
}

TEST_CASE("a node that kept its count over a told restart adds what is beyond it") {
    Booker book(counter_meter());
    (void)book(minutes(0), of_boot(1, 9, 5040));
    (void)book(minutes(3), of_boot(2, 0, 5045));
    CHECK(book.entries[0].ticks == 5);
}

TEST_CASE("a node that begins at zero adds all of its new count") {
    Booker book(counter_meter());
    (void)book(minutes(0), of_boot(1, 9, 5040));
    (void)book(minutes(3), of_boot(2, 0, 17));
    CHECK(book.entries[0].ticks == 17);
}

TEST_CASE("a node that restarted beyond its last heard count adds only what was not booked") {
    // It had counted on and saved 5100 before the power cut, unheard since 5040.
    Booker book(counter_meter());
    (void)book(minutes(0), of_boot(1, 9, 5040));
    (void)book(minutes(6), {.count = 5103, .boot = 2, .seq = 0, .saved = 5100});
    CHECK(book.entries[0].ticks == 63);
}

TEST_CASE("an uptime that fell tells a restart where there is no boot field") {
    Booker book(with_checkpoint(1000));
    (void)book(minutes(0), {.count = 5040, .uptime = hours(50)});
    (void)book(minutes(3), {.count = 5012, .uptime = seconds(90)});
    REQUIRE(book.entries.size() == 1);
    CHECK(book.entries[0].kind == EntryKind::restart);
    CHECK(book.entries[0].ticks == 12);
}

TEST_CASE("an equal boot outweighs an uptime that wrapped") {
    Booker book(with_checkpoint(1000));
    (void)book(minutes(0), {.count = 5040, .boot = 1, .uptime = hours(1193)});
    (void)book(minutes(3), {.count = 5042, .boot = 1, .uptime = seconds(90)});
    CHECK(book.entries[0].kind == EntryKind::measured);
    CHECK(book.entries[0].ticks == 2);
}

TEST_CASE("a restart that nobody told is believed once the next reading follows it") {
    Booker book(with_checkpoint(1000));
    (void)book(minutes(0), 5340);
    CHECK(book(minutes(3), 5003).outcome == Outcome::held);
    CHECK(book.entries.empty());
    REQUIRE(held_entry(book.state));
    CHECK(held_entry(book.state)->span == Span{after(minutes(0)), after(minutes(3))});
    CHECK(book(minutes(6), 5009).outcome == Outcome::booked);
    REQUIRE(book.entries.size() == 2);
    CHECK(book.entries[0].kind == EntryKind::restart);
    CHECK(book.entries[0].ticks == 3);
    CHECK(book.entries[1].kind == EntryKind::measured);
    CHECK(book.entries[1].ticks == 6);
}

TEST_CASE("the queue of a start was dated by its arrival while the first word of the next one was held") {
    // The moments of the queue then lay so close to the next word that what had run back in an hour seemed
    // impossible; 18 ticks were booked twice.
    Booker book(with_checkpoint(1));
    const auto told = [](std::uint64_t boot, std::uint64_t seq, std::uint64_t count, Duration time) {
        Reading reading = of_boot(boot, seq, count);
        reading.time = after(time);
        return reading;
    };
    (void)book(seconds{0}, told(1, 1, 37'180, seconds{0}));
    (void)book(minutes(93), told(2, 1, 37'162, minutes(93)));
    const Booking queued = book(minutes(93) + seconds{1}, told(1, 2, 37'180, minutes(3)));
    REQUIRE(queued.entries().size() == 1);
    CHECK(queued.entries()[0].span.to == after(minutes(3)));
    (void)book(minutes(93) + seconds{30}, told(2, 2, 37'162, minutes(93) + seconds{30}));
    (void)book(minutes(94), told(2, 3, 37'162, minutes(94)));
    REQUIRE(book.entries.size() == 3);
    CHECK(book.entries[1].kind == EntryKind::reverse);
    CHECK(book.total() == -18);
}

TEST_CASE("a node that saves nothing and tells a start at the same count had kept it") {
    Booker book(with_checkpoint(0));
    (void)book(minutes(0), of_boot(1, 9, 5040));
    const Booking booking = book(minutes(3), of_boot(2, 1, 5040));
    REQUIRE(booking.entries().size() == 1);
    CHECK(booking.entries()[0].kind == EntryKind::restart);
    CHECK(booking.entries()[0].ticks == 0);
}

TEST_CASE("a start that nobody told, of a node that saves nothing, books what it has counted since") {
    Booker book(with_checkpoint(0));
    (void)book(minutes(0), 5040);
    CHECK(book(minutes(3), 10).outcome == Outcome::held);
    (void)book(minutes(6), 12);
    CHECK(book.total() == 12);
}

TEST_CASE(
    "what ran back between a start and its first word was a preset where the start told its saved count") {
    Booker book(with_checkpoint(1));
    (void)book(minutes(0), of_boot(1, 117, 96'732));
    Reading first = of_boot(2, 1, 96'702);
    first.saved = 96'732;
    CHECK(book(minutes(289), first).outcome == Outcome::held);
    Reading second = of_boot(2, 2, 96'704);
    second.saved = 96'732;
    (void)book(minutes(290), second);
    REQUIRE(book.entries.size() == 2);
    CHECK(book.entries[0].kind == EntryKind::reverse);
    CHECK(book.entries[0].ticks == -30);
    CHECK(book.total() == -28);
}

TEST_CASE("a start that told its saved count and more since books what it has counted since") {
    // What had run back before the start is not seen.
    Booker book(with_checkpoint(1));
    (void)book(minutes(0), of_boot(1, 117, 96'732));
    Reading first = of_boot(2, 1, 96'705);
    first.saved = 96'702;
    (void)book(minutes(289), first);
    CHECK(book.total() == 3);
}

TEST_CASE("what ran between two starts was a preset where the only word of the first had waited") {
    Booker book(with_checkpoint(1));
    (void)book(minutes(0), of_boot(1, 1017, 33'703));
    // Nothing tells that this one waited for hours: no other came with it.
    (void)book(minutes(374), of_boot(2, 1, 33'703));
    (void)book(minutes(378), of_boot(3, 1, 33'985));
    REQUIRE(book.entries.size() == 2);
    CHECK(book.entries[1].kind == EntryKind::restart);
    CHECK(book.total() == 282);
    SECTION("within one start a gain must fit the time since the last message all the same") {
        CHECK(book(minutes(381), of_boot(3, 2, 34'985)).outcome == Outcome::held);
    }
}

TEST_CASE("what a start had counted again was lost where all words of the start before had waited") {
    // No boot: what tells the start is an uptime that fell, and the last one that counted was the first.
    Booker book(with_checkpoint(10));
    const auto word = [](int uptime_min, std::uint64_t count) {
        Reading reading{.count = count};
        reading.saved = 9480;
        reading.uptime = minutes(uptime_min);
        return reading;
    };
    const auto waited = [](int minute, int place) {
        return Circumstances{.arrived_at = after(minutes(minute) + std::chrono::milliseconds{place}),
                             .waited = true};
    };
    (void)book(minutes(2), word(2, 9487));
    for (int minute = 3; minute <= 60; ++minute)
        (void)book.with(waited(85, minute), word(minute, 9487));
    // Started at minute 104; these waited, too.
    for (int minute = 1; minute <= 6; ++minute)
        (void)book.with(waited(180, minute), word(minute, 9479 + minute));
    (void)book.with(waited(180, 8), word(8, 9489));
    CHECK(book.total() == 9);
}

TEST_CASE("a start's bound began at an arrival where the broker was away while the node's slow queue came") {
    // What was queued an hour ago comes a little more slowly than the node speaks; its uptime tells so.
    Booker book(with_checkpoint(10));
    const auto tell = [&](int arrived_s, bool waited, std::uint64_t boot, std::uint64_t seq, int uptime_min) {
        Reading reading = of_boot(boot, seq, 4797);
        reading.uptime = minutes(uptime_min);
        return book.with({.arrived_at = after(std::chrono::seconds{arrived_s}), .waited = waited}, reading);
    };
    (void)tell(0, false, 3, 1, 100);
    int arrived_s = 7200;
    for (int n = 1; n <= 20; ++n, arrived_s += 275)
        (void)tell(arrived_s, false, 3, 1 + std::uint64_t(n), 100 + 3 * n);
    for (int n = 21; n <= 23; ++n)
        (void)tell(arrived_s + n, true, 3, 1 + std::uint64_t(n), 100 + 3 * n);
    arrived_s += 200;
    for (int n = 24; n <= 30; ++n, arrived_s += 275)
        (void)tell(arrived_s, false, 3, 1 + std::uint64_t(n), 100 + 3 * n);
    // The node was off for most of the two hours.
    Reading first = of_boot(4, 1, 4806);
    first.uptime = minutes(1);
    (void)book(std::chrono::seconds{arrived_s}, first);
    REQUIRE(book.entries.back().kind == EntryKind::restart);
    CHECK(book.entries.back().unseen_max.value() > 5000);
}
