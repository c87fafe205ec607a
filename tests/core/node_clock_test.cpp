// Times that nodes send: when they are believed, and what is booked if they are not.
#include <rapidcheck/catch.h>

#include <algorithm>
#include <tuple>
#include <vector>

#include "booking_fixture.hpp"

using namespace tickledger;
using namespace tickledger::test;
using std::chrono::hours;
using std::chrono::milliseconds;
using std::chrono::seconds;

TEST_CASE("a clock that is ahead, not set or running back is not believed") {
    Booker book(counter_meter());
    (void)book(minutes(0), of_boot(1, 1, 100));
    SECTION("more than two minutes ahead") {
        const auto booking = book(minutes(3), {.count = 101, .time = after(minutes(6)), .boot = 1, .seq = 2});
        CHECK(booking.clock_disbelieved);
        CHECK(book.state.last->at == after(minutes(3)));
    }
    SECTION("within two minutes is believed") {
        const auto booking = book(minutes(3), {.count = 101, .time = after(minutes(5)), .boot = 1, .seq = 2});
        CHECK_FALSE(booking.clock_disbelieved);
        CHECK(book.state.last->at == after(minutes(5)));
    }
    SECTION("before 2001") {
        const auto booking =
            book(minutes(3), {.count = 101, .time = instant_of(60'000'000), .boot = 1, .seq = 2});
        CHECK(booking.clock_disbelieved);
    }
    SECTION("before the last reading, with a newer seq") {
        const auto booking =
            book(minutes(3), {.count = 101, .time = after(minutes(-60)), .boot = 1, .seq = 2});
        CHECK(booking.clock_disbelieved);
        CHECK(booking.outcome == Outcome::booked);
    }
    SECTION("before the last reading, with a new boot") {
        const auto booking =
            book(minutes(3), {.count = 101, .time = after(minutes(-60)), .boot = 2, .seq = 0});
        CHECK(booking.clock_disbelieved);
        CHECK(booking.outcome == Outcome::booked);
    }
}

TEST_CASE("a node whose clock is minutes ahead loses no ticks to spans of no length") {
    Booker book(counter_meter());
    (void)book(minutes(0), of_boot(1, 1, 100));
    // It arrives so late that the node's wrong time could be believed.
    (void)book(minutes(3), {.count = 101, .time = after(minutes(5)), .boot = 1, .seq = 2});
    SECTION("and stays ahead while messages that waited arrive together") {
        (void)book.with({.arrived_at = after(minutes(3)), .waited = true, .behind = 1},
                        {.count = 151, .time = after(minutes(8)), .boot = 1, .seq = 3});
        (void)book.with({.arrived_at = after(minutes(3)), .waited = true},
                        {.count = 201, .time = after(minutes(11)), .boot = 1, .seq = 4});
        CHECK(book.total() == 101);
    }
    SECTION("and is set right") {
        (void)book(minutes(5), {.count = 111, .time = after(minutes(5) - seconds(1)), .boot = 1, .seq = 3});
        CHECK(book.total() == 11);
    }
    SECTION("a jump is still held") {
        const auto booking =
            book(minutes(6), {.count = 1000, .time = after(minutes(9)), .boot = 1, .seq = 3});
        CHECK(booking.outcome == Outcome::held);
    }
}

TEST_CASE("a node whose clock was never set proves by equal counts that the water stood still") {
    Booker book(with_checkpoint(1));
    const auto told = [](std::uint64_t count) {
        Reading reading{.count = count};
        reading.boot = 1;
        reading.time = instant_of(0);
        return reading;
    };
    (void)book(minutes(0), told(1000));
    for (int n = 1; n <= 3; ++n) {
        const Booking booking = book(minutes(3 * n), told(1000));
        REQUIRE(booking.entries().size() == 1);
        CHECK(booking.entries()[0].kind == EntryKind::measured);
        CHECK(booking.entries()[0].span == Span{after(minutes(3 * (n - 1))), after(minutes(3 * n))});
    }
}

TEST_CASE("a jump of a node's clock was taken for time in which water ran") {
    // A count is set by hand, and the clock of the next message is nine months ahead.
    MeterSettings meter = with_checkpoint(1);
    meter.counter_bits = 24;
    Booker book(meter);
    const auto told = [](Duration at, std::uint64_t seq, std::uint64_t count) {
        Reading reading = of_boot(5, seq, count);
        reading.time = after(at);
        return reading;
    };
    (void)book(minutes(0), told(minutes(0), 477, 8'338'791));
    (void)book(minutes(6), told(minutes(6) + hours(24 * 278), 479, 4'145'044));
    (void)book(minutes(9), told(minutes(9) + hours(24 * 278), 480, 4'145'044));
    REQUIRE(book.entries.size() == 2);
    CHECK(book.entries[0].kind == EntryKind::preset);
    CHECK(book.total() == 0);
    // Until the next number at most 1.5 cadences may have passed.
    const std::uint64_t most = book.rules.plausible_max(book.rules.silence());
    Booker other = book;
    CHECK(
        other(minutes(9) + seconds(30), told(minutes(9) + hours(24 * 400), 481, 4'145'044 + most)).outcome ==
        Outcome::booked);
    CHECK(book(minutes(9) + seconds(30), told(minutes(9) + hours(24 * 400), 481, 4'145'045 + most)).outcome ==
          Outcome::held);
}

TEST_CASE("a count that was set by hand is never booked as water because of a node's clock") {
    rc::prop("clocks and counts that jump", [] {
        MeterSettings meter = with_checkpoint(1);
        meter.counter_bits = 24;
        Booker book(meter);
        Duration at{};
        std::uint64_t seq = 0;
        const auto jumps = *rc::gen::container<std::vector<std::tuple<int, std::uint32_t, int>>>(
            rc::gen::tuple(rc::gen::inRange(1, 30), rc::gen::inRange(0U, 1U << 24U),
                           rc::gen::element(0, 0, 0, 1, 400, 24 * 60 * 278, -24 * 60 * 10'000)));
        for (const auto& [pause_min, count, clock_off_min] : jumps) {
            at += minutes(pause_min);
            Reading reading = of_boot(5, ++seq, count);
            reading.time = after(at + minutes(clock_off_min));
            (void)book(at, reading);
        }
        std::uint64_t water = 0;
        for (const Entry& entry : book.entries)
            water += static_cast<std::uint64_t>(std::max<std::int64_t>(entry.ticks, 0));
        // Each message was sent at most 1.5 cadences, or one pause, after the message before. The first
        // message and messages after a silence may have waited for as long again.
        const Duration longest = 2 * (at + static_cast<std::int64_t>(seq) * book.rules.silence());
        RC_ASSERT(water <= book.rules.plausible_max(longest) + 2 * seq);
    });
}

TEST_CASE("water during an outage was a preset if the node's clock was set back meanwhile") {
    // A burst pipe runs at 50 L/min for two hours while no message arrives. Then the node sends a time six
    // minutes after its last one, but forty numbers and the arrival show two hours.
    Booker book(counter_meter());
    const auto tell = [&](int minute, int told_minute, std::uint64_t seq, std::uint64_t count) {
        return book(minutes(minute),
                    {.count = count, .time = after(minutes(told_minute)), .boot = 1, .seq = seq});
    };
    (void)tell(0, 0, 1, 100);
    CHECK(tell(120, 6, 41, 6'100).outcome == Outcome::booked);
    CHECK(tell(123, 9, 42, 6'250).outcome == Outcome::booked);
    CHECK(book.total() == 6'150);
    REQUIRE(book.entries.size() == 2);
    CHECK(book.entries[0].time_estimated);
    CHECK_FALSE(book.entries[1].time_estimated);
    // A jump by hand that is impossible either way is still held.
    CHECK(tell(126, 12, 43, 50'000).outcome == Outcome::held);
}

TEST_CASE("messages that arrive long after they were sent are checked against their own times") {
    // Numbers alone would allow more than the node's own, correct times, because the node sends twice as
    // often as its cadence.
    Booker book(counter_meter());
    for (int n = 0; n <= 40; ++n) {
        (void)book(minutes(120) + seconds(n),
                   {.count = 100, .time = after(seconds(90 * n)), .boot = 1, .seq = std::uint64_t(n)});
    }
    CHECK(book(minutes(121), {.count = 310, .time = after(seconds(90 * 41)), .boot = 1, .seq = 41}).outcome ==
          Outcome::held);
}

TEST_CASE("water in a backlog was a preset if the node's clock was set back by seconds meanwhile") {
    // A bath runs at 100 L/min and 1 L per tick. The node sends every 12 s. Its clock is set back by 8 s.
    MeterSettings meter = counter_meter();
    meter.q3_l_per_h = {4'000, 1};
    meter.cadence = seconds(30);
    Booker book(meter);
    for (int n = 0; n < 10; ++n) {
        const Duration told = seconds(12 * n - (n >= 5 ? 8 : 0));
        CHECK(book(minutes(40) + milliseconds(n), {.count = 1000 + 20 * std::uint64_t(n),
                                                   .time = after(told),
                                                   .boot = 1,
                                                   .seq = std::uint64_t(n)})
                  .outcome == (n == 0 ? Outcome::first : Outcome::booked));
    }
    CHECK(book.total() == 180);
}

TEST_CASE("`unseen_max` was too small for a silence if the clock was corrected while the backlog waited") {
    // The clock is 76 minutes ahead at first, but within the tolerance when the message arrives. Then it is
    // right, and the node is silent for 45 minutes.
    Booker book(with_checkpoint(0));
    const auto tell = [&](int told_min, std::uint64_t seq, std::uint64_t count) {
        Circumstances came;
        came.arrived_at = after(minutes(100) + milliseconds(static_cast<int>(seq)));
        came.waited = true;
        return book.with(came, {.count = count, .time = after(minutes(told_min)), .boot = 3, .seq = seq});
    };
    (void)tell(101, 1, 1000);
    (void)tell(26, 2, 1004);
    (void)tell(29, 3, 1008);
    CHECK(tell(74, 4, 2008).outcome == Outcome::held);
    (void)tell(77, 5, 2012);
    REQUIRE(book.entries.size() == 4);
    CHECK(book.entries[2].kind == EntryKind::preset);
    CHECK(book.entries[2].unseen_max.value() >= 1000);
}

TEST_CASE("`unseen_max` was too small for a silence within a queue that took longer than half a cadence") {
    // The queue comes at a message a second. The clock is ahead, so no time is believed. The node was silent
    // for 104 minutes, and its numbers do not show that.
    Booker book(with_checkpoint(0));
    const auto tell = [&](int n, int told_min, std::uint64_t count) {
        return book(
            minutes(100) + seconds(n),
            {.count = count, .time = after(minutes(told_min)), .boot = 3, .seq = std::uint64_t(10 + n)});
    };
    for (int n = 0; n < 120; ++n)
        (void)tell(n, 200 + 3 * n, 1000 + n);
    CHECK(tell(120, 661, 3119).outcome == Outcome::held);
    (void)tell(121, 664, 3120);
    const auto preset = std::ranges::find(book.entries, EntryKind::preset, &Entry::kind);
    REQUIRE(preset != book.entries.end());
    CHECK(preset->unseen_max.value() >= 2000);
    CHECK(preset->unseen_max.value() <= book.rules.plausible_max(minutes(104)));
}

TEST_CASE("water during a silence was a preset if a clock two hours behind passed the last arrival") {
    // The clock is two hours behind. The message before the silence counts by its arrival, the message after
    // it by its time.
    Booker book(with_checkpoint(1));
    const auto tell = [&](int minute, std::uint64_t boot, std::uint64_t seq, std::uint64_t count) {
        return book(minutes(minute),
                    {.count = count, .time = after(minutes(minute - 120)), .boot = boot, .seq = seq});
    };
    (void)book(minutes(0), {.count = 1000, .time = after(minutes(0)), .boot = 4, .seq = 1});
    CHECK(tell(3, 4, 2, 1002).clock_disbelieved);
    SECTION("after a restart") {
        CHECK_FALSE(tell(126, 5, 1, 1400).clock_disbelieved);
        CHECK(tell(129, 5, 2, 1403).outcome == Outcome::booked);
        CHECK(book.entries.at(1).kind == EntryKind::restart);
    }
    SECTION("within one boot") {
        (void)tell(126, 4, 3, 1400);
        CHECK(tell(129, 4, 4, 1403).outcome == Outcome::booked);
    }
    CHECK(book.total() == 403);
}
