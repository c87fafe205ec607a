// What is booked when a node restarts, whether it reports the restart or not.
#include "booking_fixture.hpp"

using namespace tickledger;
using namespace tickledger::test;
using std::chrono::hours;
using std::chrono::seconds;

TEST_CASE("a reported restart books from the saved count") {
    Booker book(counter_meter());
    (void)book(minutes(0), of_boot(1, 9, 5040));
    CHECK(book(minutes(6), {.count = 5012, .boot = 2, .seq = 0, .saved = 5000}).outcome == Outcome::booked);
    REQUIRE(book.entries.size() == 1);
    CHECK(book.entries[0].kind == EntryKind::restart);
    CHECK(book.entries[0].ticks == 12);
    // 1.1 Q4 over six minutes allows 345 ticks; 12 are booked.
    CHECK(book.entries[0].unseen_max == 345 - 12);
}

TEST_CASE("a reported restart without a saved count books from the last checkpoint") {
    Booker book(with_checkpoint(1000));
    (void)book(minutes(0), of_boot(1, 9, 5040));
    (void)book(minutes(3), of_boot(2, 0, 5012));
    CHECK(book.entries[0].ticks == 12);
}

TEST_CASE("a node that saves every tick loses none") {
    Booker book(with_checkpoint(1));
    (void)book(minutes(0), of_boot(1, 9, 5040));
    (void)book(minutes(3), of_boot(2, 0, 5044));
    CHECK(book.entries[0].ticks == 4);
    CHECK(book.entries[0].kind == EntryKind::restart);
}

TEST_CASE("a node that kept its count over a reported restart adds the ticks above it") {
    Booker book(counter_meter());
    (void)book(minutes(0), of_boot(1, 9, 5040));
    (void)book(minutes(3), of_boot(2, 0, 5045));
    CHECK(book.entries[0].ticks == 5);
}

TEST_CASE("a node that restarts at zero adds its whole new count") {
    Booker book(counter_meter());
    (void)book(minutes(0), of_boot(1, 9, 5040));
    (void)book(minutes(3), of_boot(2, 0, 17));
    CHECK(book.entries[0].ticks == 17);
}

TEST_CASE("a node that restarts above its last received count adds only the ticks not yet booked") {
    // No message arrived after 5040. The node counted on and saved 5100 before the power cut.
    Booker book(counter_meter());
    (void)book(minutes(0), of_boot(1, 9, 5040));
    (void)book(minutes(6), {.count = 5103, .boot = 2, .seq = 0, .saved = 5100});
    CHECK(book.entries[0].ticks == 63);
}

TEST_CASE("without a boot field, a lower uptime shows a restart") {
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

TEST_CASE("a restart that was not reported is believed once the next reading follows it") {
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

TEST_CASE("a boot's backlog was dated by its arrival while the next boot's first message was held") {
    // The backlog was then so close to the next message that the ticks that ran back in an hour seemed
    // impossible, and 18 ticks were booked twice.
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

TEST_CASE("a node that saves nothing and restarts at the same count has kept its count") {
    Booker book(with_checkpoint(0));
    (void)book(minutes(0), of_boot(1, 9, 5040));
    const Booking booking = book(minutes(3), of_boot(2, 1, 5040));
    REQUIRE(booking.entries().size() == 1);
    CHECK(booking.entries()[0].kind == EntryKind::restart);
    CHECK(booking.entries()[0].ticks == 0);
}

TEST_CASE("an unreported restart of a node that saves nothing books the ticks counted since") {
    Booker book(with_checkpoint(0));
    (void)book(minutes(0), 5040);
    CHECK(book(minutes(3), 10).outcome == Outcome::held);
    (void)book(minutes(6), 12);
    CHECK(book.total() == 12);
}

TEST_CASE("ticks that ran back between a restart and its first message were a preset if `saved` was sent") {
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

TEST_CASE("a restart with a count above its saved count books the ticks counted since") {
    // The ticks that ran back before the restart are not seen.
    Booker book(with_checkpoint(1));
    (void)book(minutes(0), of_boot(1, 117, 96'732));
    Reading first = of_boot(2, 1, 96'705);
    first.saved = 96'702;
    (void)book(minutes(289), first);
    CHECK(book.total() == 3);
}

TEST_CASE("ticks between two restarts were a preset if the only message of the first had waited") {
    Booker book(with_checkpoint(1));
    (void)book(minutes(0), of_boot(1, 1017, 33'703));
    // Nothing shows that this message waited for hours, because no other arrived with it.
    (void)book(minutes(374), of_boot(2, 1, 33'703));
    (void)book(minutes(378), of_boot(3, 1, 33'985));
    REQUIRE(book.entries.size() == 2);
    CHECK(book.entries[1].kind == EntryKind::restart);
    CHECK(book.total() == 282);
    SECTION("within one boot an advance must still fit the time since the last message") {
        CHECK(book(minutes(381), of_boot(3, 2, 34'985)).outcome == Outcome::held);
    }
}

TEST_CASE("ticks counted after a restart were lost if all messages of the boot before had waited") {
    // Without boots, only a lower uptime shows the restart, and the last uptime that counted was the first.
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
    // The node restarted at minute 104. These messages waited too.
    for (int minute = 1; minute <= 6; ++minute)
        (void)book.with(waited(180, minute), word(minute, 9479 + minute));
    (void)book.with(waited(180, 8), word(8, 9489));
    CHECK(book.total() == 9);
}

TEST_CASE("a restart's bound began at an arrival if the broker was away during the node's slow backlog") {
    // Messages from an hour ago arrive a little more slowly than the cadence, as their uptimes show.
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
