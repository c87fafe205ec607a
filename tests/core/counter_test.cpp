// Every row of the table for booking cumulative counts (docs/ledger.md), in its order.
#include "booking_fixture.hpp"

using namespace tickledger;
using namespace tickledger::test;
using std::chrono::hours;
using std::chrono::seconds;

TEST_CASE("the first reading books nothing") {
    Booker book(counter_meter());
    CHECK(book(minutes(0), 1234).outcome == Outcome::first);
    CHECK(book.entries.empty());
    CHECK(book.state.last->count == 1234);
}

TEST_CASE("an advance is measured over the span since the last reading") {
    Booker book(counter_meter());
    (void)book(minutes(0), 100);
    CHECK(book(minutes(3), 107).outcome == Outcome::booked);
    REQUIRE(book.entries.size() == 1);
    CHECK(book.entries[0].span == Span{after(minutes(0)), after(minutes(3))});
    CHECK(book.entries[0].ticks == 7);
    CHECK(book.entries[0].kind == EntryKind::measured);
}

TEST_CASE("a span without ticks is evidence, so it is booked too") {
    Booker book(counter_meter());
    (void)book(minutes(0), 100);
    CHECK(book(minutes(3), 100).outcome == Outcome::booked);
    REQUIRE(book.entries.size() == 1);
    CHECK(book.entries[0].ticks == 0);
}

TEST_CASE("up to 1.1 Q4 over the span plus two ticks is plausible") {
    // Q3 2.5 m³/h gives Q4 3.125 m³/h (ISO 4064-1: Q4 = 1.25 Q3); in 3 min 1.1 Q4 is 171.875 L (computed).
    const CounterRules rules(counter_meter());
    CHECK(rules.plausible(173, minutes(3)));
    CHECK_FALSE(rules.plausible(174, minutes(3)));
    CHECK(rules.plausible_max(minutes(3)) == 173);
    CHECK(rules.plausible(2, seconds(0)));
    CHECK_FALSE(rules.plausible(3, seconds(0)));
    CHECK_FALSE(rules.plausible(3, seconds(-1)));
    CHECK_FALSE(rules.plausible(~std::uint64_t{0}, hours(24 * 365 * 100)));
}

TEST_CASE("ticks per second at the overload flow") {
    // Q3 4 m³/h, Q4 5 m³/h: 13.89 ticks/s at 0.1 L, 1.389 at 1 L, 0.139 at 10 L (computed). The limit is 1.1
    // times that plus two ticks.
    MeterSettings meter = counter_meter();
    meter.q3_l_per_h = {4000, 1};
    const auto most_in_an_hour = [&](Ratio pulse_value_l) {
        meter.pulse_value_l = pulse_value_l;
        return CounterRules(meter).plausible_max(hours(1));
    };
    CHECK(most_in_an_hour({1, 10}) == 55'002);
    CHECK(most_in_an_hour({1, 1}) == 5'502);
    CHECK(most_in_an_hour({10, 1}) == 552);
}

TEST_CASE("the same numbered message, received again, changes nothing") {
    Booker book(counter_meter());
    (void)book(minutes(0), of_boot(7, 1, 100));
    (void)book(minutes(3), of_boot(7, 2, 105));
    const CounterState before = book.state;
    CHECK(book(minutes(4), of_boot(7, 2, 105)).outcome == Outcome::repeat);
    CHECK(book.state == before);
    CHECK(book.entries.size() == 1);
}

TEST_CASE("with seq but without boot, a repeat has the same seq and count") {
    Booker book(counter_meter());
    (void)book(minutes(0), {.count = 100, .seq = 1});
    (void)book(minutes(3), {.count = 105, .seq = 2});
    CHECK(book(minutes(4), {.count = 105, .seq = 2}).outcome == Outcome::repeat);
    CHECK(book(minutes(5), {.count = 106, .seq = 2}).outcome == Outcome::booked);
}

TEST_CASE("without seq, a repeat has the same count and no later time") {
    Booker book(counter_meter());
    (void)book(minutes(0), 100);
    (void)book(minutes(3), {.count = 105, .time = after(minutes(3))});
    CHECK(book(minutes(9), {.count = 105, .time = after(minutes(3))}).outcome == Outcome::repeat);
    CHECK(book(minutes(9), {.count = 105, .time = after(minutes(6))}).outcome == Outcome::booked);
}

TEST_CASE("a message older than the last one is late and decides nothing") {
    Booker book(counter_meter());
    (void)book(minutes(0), {.count = 100, .time = after(minutes(0))});
    (void)book(minutes(9), {.count = 110, .time = after(minutes(9))});
    const auto booking = book(minutes(10), {.count = 104, .time = after(minutes(5))});
    CHECK(booking.outcome == Outcome::late);
    CHECK(booking.late_at == after(minutes(5)));
    CHECK(book(minutes(10), of_boot(3, 1, 120)).outcome == Outcome::booked);
    CHECK(book(minutes(11), {.count = 119, .time = std::nullopt, .boot = 3, .seq = 0}).outcome ==
          Outcome::late);
}

TEST_CASE("a counter wraps at 16 and at 32 bits") {
    for (const int bits : {16, 32}) {
        MeterSettings meter = counter_meter();
        meter.counter_bits = bits;
        Booker book(meter);
        const std::uint64_t top = (std::uint64_t{1} << bits) - 1;
        (void)book(minutes(0), top - 4);
        CHECK(book(minutes(3), 5).outcome == Outcome::booked);
        REQUIRE(book.entries.size() == 1);
        CHECK(book.entries[0].kind == EntryKind::measured);
        CHECK(book.entries[0].ticks == 10);
    }
}

TEST_CASE("a wrap over half the range is booked only within a known boot") {
    MeterSettings meter = counter_meter();
    meter.counter_bits = 8;
    Booker told(meter);
    (void)told(minutes(0), of_boot(1, 1, 100));
    CHECK(told(minutes(6), of_boot(1, 2, 20)).outcome == Outcome::booked);
    CHECK(told.total() == 176);
    Booker untold(meter);
    (void)untold(minutes(0), 100);
    CHECK(untold(minutes(6), 20).outcome == Outcome::held);
}

TEST_CASE("on a counter that never wraps, a fall is not a wrap") {
    MeterSettings meter = counter_meter();
    meter.counter_bits = 0;
    Booker book(meter);
    (void)book(minutes(0), 4'294'967'290);
    CHECK(book(minutes(3), 5).outcome == Outcome::held);
}

TEST_CASE("RFC 1982 serial arithmetic") {
    // RFC 1982 sections 3.1, 3.2 and 5.2; the 32-bit values computed.
    MeterSettings meter = counter_meter();
    const CounterRules rules(meter);
    CHECK(rules.seq_distance(3'000'000'012, 12) == 1'294'967'296);
    CHECK(rules.seq_distance(12, 3'000'000'012) == -1'294'967'296);
    CHECK(rules.gain(0xFF000000, 0x0E000000) == 0x0F000000);
    CHECK(rules.seq_distance(0, 0x7FFFFFFF) > 0);
    CHECK(rules.seq_distance(0, 0x80000000) < 0);  // Undefined in the RFC; here it is always "before".
    CHECK(rules.seq_distance(0x80000000, 0) < 0);
    CHECK(rules.seq_after(0xFFFFFFFF) == 0);
    CHECK(rules.seq_before(0) == 0xFFFFFFFF);
}

TEST_CASE("a jump that the next reading follows is a preset and books no ticks") {
    Booker book(counter_meter());
    (void)book(minutes(0), 100);
    CHECK(book(minutes(3), 90'000).outcome == Outcome::held);
    const auto booking = book(minutes(6), 90'002);
    CHECK_FALSE(booking.stray);
    REQUIRE(book.entries.size() == 2);
    CHECK(book.entries[0].kind == EntryKind::preset);
    CHECK(book.entries[0].ticks == 0);
    CHECK(book.entries[0].unseen_max == 173);
    CHECK(book.entries[1].ticks == 2);
}

TEST_CASE("a jump that the next reading does not follow was a stray") {
    Booker book(counter_meter());
    (void)book(minutes(0), 100);
    (void)book(minutes(3), 90'000);
    const auto booking = book(minutes(6), 104);
    REQUIRE(booking.stray);
    CHECK(booking.stray->count == 90'000);
    REQUIRE(book.entries.size() == 1);
    CHECK(book.entries[0].span == Span{after(minutes(0)), after(minutes(6))});
    CHECK(book.entries[0].ticks == 4);
}

TEST_CASE("a held count between the accepted and the next count was early, not a stray") {
    Booker book(counter_meter());
    (void)book(minutes(-3), 100);
    (void)book(minutes(0), 100);
    CHECK(book(minutes(1), 200).outcome == Outcome::held);
    const auto booking = book(minutes(3), 260);
    CHECK_FALSE(booking.stray);
    REQUIRE(book.entries.size() == 2);
    CHECK(book.entries[1].ticks == 160);
}

TEST_CASE("if the next reading follows both, the accepted count wins over the held one") {
    Booker book(with_checkpoint(1000));
    (void)book(minutes(0), 5040);
    (void)book(minutes(3), 5003);
    const auto booking = book(minutes(6), 5060);
    REQUIRE(booking.stray);
    CHECK(book.total() == 20);
}

TEST_CASE("ticks between a count set by hand and a restart were lost") {
    // The restart also follows the last accepted count. But a node that saves every tick restarts at a lower
    // count only if its count was set.
    Booker book(with_checkpoint(1));
    (void)book(minutes(0), of_boot(1, 1349, 1'200'396'309));
    CHECK(book(minutes(1), of_boot(1, 1350, 871'812)).outcome == Outcome::held);
    const auto booking = book(minutes(105), of_boot(2, 1, 871'822));
    CHECK_FALSE(booking.stray);
    REQUIRE(book.entries.size() == 2);
    CHECK(book.entries[0].kind == EntryKind::preset);
    CHECK(book.entries[1].kind == EntryKind::restart);
    CHECK(book.total() == 10);
}

TEST_CASE("a count set by hand explains a restart also if the node sends `saved`") {
    Booker book(with_checkpoint(1));
    (void)book(minutes(0), of_boot(1, 1349, 1'200'396'309));
    CHECK(book(minutes(1), of_boot(1, 1350, 871'812)).outcome == Outcome::held);
    (void)book(minutes(105), {.count = 871'822, .boot = 2, .seq = 1, .saved = 871'815});
    REQUIRE(book.entries.size() == 2);
    CHECK(book.entries[0].kind == EntryKind::preset);
    CHECK(book.entries[1].kind == EntryKind::restart);
    CHECK(book.total() == 10);
}

TEST_CASE("if the next reading follows neither, it is held instead") {
    Booker book(counter_meter());
    (void)book(minutes(0), 100);
    (void)book(minutes(3), 90'000);
    const auto booking = book(minutes(6), 700'000);
    CHECK(booking.outcome == Outcome::held);
    REQUIRE(booking.stray);
    CHECK(booking.stray->count == 90'000);
    CHECK(book.state.held->observation.count == 700'000);
}

TEST_CASE("messages that waited are placed one cadence apart, back from their arrival") {
    Booker book(counter_meter());
    (void)book(minutes(0), 100);
    const auto waited = [&](int behind, std::uint64_t count) {
        return book.with({.arrived_at = after(minutes(30)), .waited = true, .behind = behind},
                         {.count = count});
    };
    CHECK(waited(2, 101).outcome == Outcome::booked);
    CHECK(waited(1, 105).outcome == Outcome::booked);
    CHECK(waited(0, 105).outcome == Outcome::repeat);
    REQUIRE(book.entries.size() == 2);
    CHECK(book.entries[0].span == Span{after(minutes(0)), after(minutes(24))});
    CHECK(book.entries[1].span == Span{after(minutes(24)), after(minutes(27))});
    CHECK(book.entries[1].time_estimated);
}

TEST_CASE("a backlog with too many messages for the cadence is spread evenly and loses no tick") {
    // The node sent every second while the link was down for a minute. Its configured cadence is three
    // minutes.
    Booker book(counter_meter());
    (void)book(minutes(0), 100);
    for (int behind = 59; behind >= 0; --behind) {
        const auto count = static_cast<std::uint64_t>(100 + (60 - behind) / 20 * 20);
        (void)book.with({.arrived_at = after(minutes(1)), .waited = true, .behind = behind},
                        {.count = count});
    }
    CHECK(book.total() == 60);
    CHECK_FALSE(book.state.held);
    REQUIRE(book.entries.size() == 3);
    for (const Entry& entry : book.entries)
        CHECK(entry.kind == EntryKind::measured);
    CHECK(book.entries.back().span.to == after(minutes(1)));
}

TEST_CASE("the broker's retained copy never lowers the count") {
    Booker book(counter_meter());
    (void)book(minutes(0), 100);
    const auto booking =
        book.with({.arrived_at = after(minutes(3)), .waited = true, .behind = 0, .retained = true},
                  {.count = 90, .time = after(minutes(2))});
    CHECK(booking.outcome == Outcome::repeat);
    CHECK_FALSE(book.state.held);
}

TEST_CASE("the reset rule of a general metrics system gives the same sums") {
    // A fall is a reset to zero, and the new value counts in full. Prometheus,
    // promql/promqltest/testdata/functions.test: increase over 0 1 2 3 2 3 4 is 7, over
    // 0 18 36 54 72 90 0 18 36 54 72 is 162. Here without checkpoints and with reported restarts.
    const auto sum_of = [](const std::vector<std::uint64_t>& counts) {
        Booker book(counter_meter());
        std::uint64_t boot = 1;
        std::uint64_t seq = 0;
        int at_min = 0;
        std::uint64_t before = 0;
        for (const std::uint64_t count : counts) {
            if (count < before) ++boot;
            (void)book(minutes(at_min += 3), of_boot(boot, seq++, count));
            before = count;
        }
        return book.total();
    };
    CHECK(sum_of({0, 1, 2, 3, 2, 3, 4}) == 7);
    CHECK(sum_of({0, 18, 36, 54, 72, 90, 0, 18, 36, 54, 72}) == 162);
}

TEST_CASE("a slowly sent backlog with lost readings was a preset") {
    MeterSettings meter = counter_meter();
    meter.cadence = minutes(15);
    Booker book(meter);
    (void)book(minutes(0), of_boot(1, 1, 100));
    (void)book(minutes(23), of_boot(1, 2, 120));
    // Over 23 min 1.1 Q4 is 1 318 L; over the 509 cadences of these numbers it is 437 000 L.
    CHECK(book(minutes(46), of_boot(1, 511, 6024)).outcome == Outcome::booked);
    REQUIRE(book.entries.size() == 2);
    CHECK(book.entries[1].kind == EntryKind::measured);
    CHECK(book.entries[1].ticks == 5904);
    CHECK(book.entries[1].time_estimated);
    // If no boot is sent, seq may be from another boot.
    Booker other(meter);
    (void)other(minutes(0), {.count = 100, .seq = 1});
    (void)other(minutes(23), {.count = 120, .seq = 2});
    CHECK(other(minutes(46), {.count = 6024, .seq = 511}).outcome != Outcome::booked);
}

TEST_CASE("unnumbered messages that arrived again were a preset if the server's clock was behind") {
    Booker book(with_checkpoint(1));
    const auto told = [](std::uint64_t count, Duration time) {
        Reading reading{.count = count};
        reading.boot = 1;
        reading.time = after(time);
        return reading;
    };
    // The node's clock is right; the server's is nine minutes behind.
    const auto behind = [](int n) { return minutes(n) - minutes(9); };
    for (int n = 0; n < 3; ++n)
        (void)book(behind(3 * n), told(2461 + 3 * static_cast<std::uint64_t>(n), minutes(3 * n)));
    CHECK(book.total() == 6);
    for (int n = 0; n < 3; ++n)
        CHECK(book(behind(6) + seconds{n}, told(2461 + 3 * static_cast<std::uint64_t>(n), minutes(3 * n)))
                  .outcome == Outcome::repeat);
    (void)book(behind(9), told(2470, minutes(9)));
    CHECK(book.total() == 9);
    CHECK(book.entries.back().kind == EntryKind::measured);
}
