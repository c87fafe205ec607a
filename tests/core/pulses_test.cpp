// Booking of pulses: each message contains the ticks since the message before it (docs/ledger.md).
#include "booking_fixture.hpp"
#include "tickledger/late.hpp"

using namespace tickledger;
using namespace tickledger::test;

namespace {

MeterSettings pulse_meter() {
    MeterSettings meter = counter_meter();
    meter.message = MessageForm::pulses;
    return meter;
}

Reading pulses(std::uint64_t boot, std::uint64_t seq, std::uint64_t count) {
    return {.count = count, .boot = boot, .seq = seq};
}

}  // namespace

TEST_CASE("the first pulses are booked over the cadence before them") {
    Booker book(pulse_meter());
    CHECK(book(minutes(0), pulses(1, 0, 5)).outcome == Outcome::booked);
    REQUIRE(book.entries.size() == 1);
    CHECK(book.entries[0].span == Span{after(minutes(-3)), after(minutes(0))});
    CHECK(book.entries[0].ticks == 5);
}

TEST_CASE("pulses are measured over the span since the message before") {
    Booker book(pulse_meter());
    (void)book(minutes(0), pulses(1, 0, 5));
    (void)book(minutes(3), pulses(1, 1, 0));
    REQUIRE(book.entries.size() == 2);
    CHECK(book.entries[1].span == Span{after(minutes(0)), after(minutes(3))});
    CHECK(book.entries[1].kind == EntryKind::measured);
    CHECK(book.entries[1].ticks == 0);
}

TEST_CASE("a gap in seq is a lost entry that ends one cadence before the next message") {
    Booker book(pulse_meter());
    (void)book(minutes(0), pulses(1, 0, 5));
    (void)book(minutes(12), pulses(1, 4, 7));
    REQUIRE(book.entries.size() == 3);
    const Entry& lost = book.entries[1];
    CHECK(lost.kind == EntryKind::lost);
    CHECK_FALSE(lost.ticks_known());
    CHECK(lost.span == Span{after(minutes(0)), after(minutes(9))});
    CHECK(lost.begin_count == 1);
    CHECK(lost.end == Mark{0, 1, 3});
    CHECK(book.entries[2].span == Span{after(minutes(9)), after(minutes(12))});
    CHECK(book.entries[2].ticks == 7);
}

TEST_CASE("pulses of a node that was silent after lost messages were a stray") {
    Booker book(pulse_meter());
    (void)book(minutes(0), pulses(1, 0, 5));
    // Three messages are lost and an hour of silence follows. 500 ticks are too many for one cadence, but not
    // for an hour.
    (void)book(minutes(72), pulses(1, 4, 500));
    REQUIRE(book.entries.size() == 3);
    CHECK(book.entries[1].kind == EntryKind::lost);
    CHECK(book.entries[1].span == Span{after(minutes(0)), after(minutes(9))});
    CHECK(book.entries[2].span == Span{after(minutes(9)), after(minutes(72))});
    CHECK(book.entries[2].ticks == 500);
}

TEST_CASE("pulses after a silence were a stray if the node had sent the lost messages at its ticks") {
    Booker book(pulse_meter());
    (void)book(minutes(0), pulses(1, 0, 5));
    // A hundred messages in a few minutes of running water are lost, and an hour of silence follows.
    (void)book(minutes(72), pulses(1, 101, 500));
    (void)book(minutes(73), pulses(1, 102, 1));
    REQUIRE(book.entries.size() == 4);
    CHECK(book.entries[1].kind == EntryKind::lost);
    CHECK(book.entries[1].begin_count == 1);
    CHECK(book.entries[1].end == Mark{0, 1, 100});
    CHECK(book.entries[2].span == Span{after(minutes(0)), after(minutes(72))});
    CHECK(book.entries[2].ticks == 500);
    CHECK(book.entries[3].ticks == 1);
}

TEST_CASE("a missing message that arrives late fills its part of the gap") {
    Booker book(pulse_meter());
    (void)book(minutes(0), pulses(1, 0, 5));
    (void)book(minutes(12), pulses(1, 4, 7));
    CHECK(book(minutes(13), pulses(1, 2, 9)).outcome == Outcome::late);
    const LateBooking filled = fill(book.entries[1], pulses(1, 2, 9), book.rules);
    REQUIRE(filled.fit == LateBooking::Fit::divides);
    REQUIRE(filled.parts().size() == 3);
    CHECK(filled.parts()[0].kind == EntryKind::lost);
    CHECK(filled.parts()[0].span == Span{after(minutes(0)), after(minutes(3))});
    CHECK(filled.parts()[1].kind == EntryKind::measured);
    CHECK(filled.parts()[1].span == Span{after(minutes(3)), after(minutes(6))});
    CHECK(filled.parts()[1].ticks == 9);
    CHECK(filled.parts()[1].time_estimated);
    CHECK(filled.parts()[2].kind == EntryKind::lost);
    CHECK(filled.parts()[2].begin_count == 3);
}

TEST_CASE("a gap across the wrap of seq is found and filled") {
    MeterSettings meter = pulse_meter();
    meter.seq_bits = 8;
    Booker book(meter);
    (void)book(minutes(0), pulses(1, 254, 5));
    (void)book(minutes(9), pulses(1, 1, 7));
    REQUIRE(book.entries.size() == 3);
    CHECK(book.entries[1].begin_count == 255);
    CHECK(book.entries[1].end.seq == 0);
    const LateBooking filled = fill(book.entries[1], pulses(1, 0, 1), book.rules);
    REQUIRE(filled.parts().size() == 2);
    CHECK(filled.parts()[0].end.seq == 255);
}

TEST_CASE("pulses that fill a gap were refused if the gap was placed too short for them") {
    Booker book(pulse_meter());
    (void)book(minutes(0), pulses(1, 1, 5));
    (void)book.with({.arrived_at = after(minutes(60)), .waited = true}, pulses(1, 2, 0));
    // A live message overtakes number 3, which waited as long as number 2.
    (void)book(minutes(60) + std::chrono::seconds(1), pulses(1, 4, 0));
    REQUIRE(book.entries.size() == 4);
    const Entry gap = book.entries[2];
    REQUIRE(gap.kind == EntryKind::lost);
    REQUIRE(gap.span.length() < std::chrono::seconds(2));
    const LateBooking filled = fill(gap, pulses(1, 3, 300), book.rules);
    REQUIRE(filled.fit == LateBooking::Fit::divides);
    CHECK(filled.parts()[0].ticks == 300);
    CHECK(fill(gap, pulses(1, 3, 30'000), book.rules).fit == LateBooking::Fit::contradicts);
}

TEST_CASE("the bound of a gap was too small if only the message after it had a time") {
    Booker book(pulse_meter());
    (void)book(minutes(0), pulses(1, 1, 5));
    // This message waited, and its clock is not believed. A live message overtakes 98 messages behind it.
    (void)book(minutes(300), pulses(1, 2, 0));
    Reading live = pulses(1, 101, 0);
    live.time = after(minutes(300) + std::chrono::seconds(20));
    (void)book(minutes(300) + std::chrono::seconds(20), live);
    REQUIRE(book.entries.size() == 4);
    const Entry gap = book.entries[2];
    REQUIRE(gap.kind == EntryKind::lost);
    REQUIRE(gap.unseen_max);
    CHECK(*gap.unseen_max >= book.rules.plausible_max(minutes(98 * 3)));
}

TEST_CASE("the bound of a restart was too small after a backlog sent at the node's cadence") {
    const auto told = [](std::uint64_t boot, std::uint64_t seq, Duration uptime) {
        Reading reading = pulses(boot, seq, 0);
        reading.uptime = uptime;
        return reading;
    };
    Booker book(pulse_meter());
    (void)book(minutes(0), told(1, 1, minutes(10)));
    // These messages were sent after 3 and 6 minutes. Then the node was restarted.
    (void)book(minutes(300), told(1, 2, minutes(13)));
    (void)book(minutes(303), told(1, 3, minutes(16)));
    (void)book(minutes(305), told(2, 1, minutes(1)));
    REQUIRE(book.entries.back().kind == EntryKind::restart);
    CHECK(*book.entries.back().unseen_max == book.rules.plausible_max(minutes(305 - 6)));
    SECTION("a message that arrives when it is sent ends the backlog") {
        (void)book(minutes(308), told(2, 2, minutes(4)));
        (void)book(minutes(310), told(3, 1, minutes(1)));
        CHECK(*book.entries.back().unseen_max == book.rules.plausible_max(minutes(2)));
    }
}

TEST_CASE("filling a gap divided by zero if seq_bits was changed in the configuration") {
    Booker book(pulse_meter());
    (void)book(minutes(0), pulses(1, 255, 5));
    (void)book(minutes(9), pulses(1, 512, 7));
    REQUIRE(book.entries.size() == 3);
    MeterSettings meter = pulse_meter();
    meter.seq_bits = 8;
    // With 8 bits the gap of 256 to 511 is 0 to 255, and 255 comes before 0.
    const CounterRules anew(meter);
    CHECK(fill(book.entries[1], pulses(1, 1, 1), anew).fit == LateBooking::Fit::contradicts);
    CHECK(fill(book.entries[1], pulses(1, 255, 1), anew).fit == LateBooking::Fit::contradicts);
}

TEST_CASE("pulses after a new boot prove nothing about the time before it") {
    Booker book(pulse_meter());
    (void)book(minutes(0), pulses(1, 8, 5));
    (void)book(minutes(6), pulses(2, 0, 3));
    REQUIRE(book.entries.size() == 2);
    CHECK(book.entries[1].kind == EntryKind::restart);
    CHECK(book.entries[1].ticks == 3);
    CHECK(book.entries[1].unseen_max == 345 - 3);
}

TEST_CASE("after as many pulses as can have run, no ticks can be unseen") {
    // Pulses of a boot whose numbers continue are booked, however many they are.
    Booker book(pulse_meter());
    (void)book(minutes(0), pulses(1, 8, 5));
    (void)book.with({.arrived_at = after(minutes(3)), .boot_goes_on = true}, pulses(2, 9, 5'000));
    REQUIRE(book.entries.size() == 2);
    CHECK(book.entries[1].kind == EntryKind::restart);
    CHECK(book.entries[1].ticks == 5'000);
    CHECK(book.entries[1].unseen_max == 0);
}

TEST_CASE("a restart without pulses at the moment of the message before left no entry for its bound") {
    Booker book(pulse_meter());
    (void)book(minutes(0), pulses(1, 8, 5));
    (void)book.with({.arrived_at = after(minutes(30)), .waited = true, .behind = 1}, pulses(1, 9, 0));
    (void)book.with({.arrived_at = after(minutes(30)), .waited = true}, pulses(1, 10, 0));
    (void)book.with({.arrived_at = after(minutes(30)), .waited = true}, pulses(2, 0, 0));
    REQUIRE(book.entries.size() == 4);
    CHECK(book.entries[3].kind == EntryKind::restart);
    CHECK(book.entries[3].span.length() == Duration{0});
    CHECK(*book.entries[3].unseen_max >= book.rules.plausible_max(minutes(30 - 6)));
}

TEST_CASE("more pulses than could run are held, then refused, and leave a gap") {
    Booker book(pulse_meter());
    (void)book(minutes(0), pulses(1, 0, 5));
    CHECK(book(minutes(3), pulses(1, 1, 60'000)).outcome == Outcome::held);
    const auto booking = book(minutes(6), pulses(1, 2, 4));
    REQUIRE(booking.stray);
    CHECK(booking.stray->count == 60'000);
    REQUIRE(book.entries.size() == 3);
    CHECK(book.entries[1].kind == EntryKind::lost);
    CHECK(book.entries[1].span == Span{after(minutes(0)), after(minutes(3))});
    CHECK(book.entries[2].span == Span{after(minutes(3)), after(minutes(6))});
    CHECK(book.total() == 9);
}

TEST_CASE("a stray with a wrong number leaves no gap") {
    Booker book(pulse_meter());
    (void)book(minutes(0), pulses(1, 0, 5));
    (void)book(minutes(3), pulses(1, 900'000, 60'000));
    const auto booking = book(minutes(3), pulses(1, 1, 4));
    REQUIRE(booking.stray);
    REQUIRE(book.entries.size() == 2);
    CHECK(book.entries[1].kind == EntryKind::measured);
    CHECK(book.state.last->seq == 1);
}

TEST_CASE("pulses without number and time are all booked, even if they are equal") {
    Booker book(pulse_meter());
    (void)book(minutes(0), 1);
    (void)book(std::chrono::seconds(1), 1);
    (void)book(minutes(3), 1);
    CHECK(book.total() == 3);
}

TEST_CASE("pulses of the retained copy were refused right after a backlog with a gap") {
    MeterSettings meter = counter_meter();
    meter.message = MessageForm::pulses;
    Booker book(meter);
    (void)book(minutes(0), of_boot(2, 519, 0));
    (void)book.with({.arrived_at = after(minutes(140)), .waited = true}, of_boot(2, 520, 0));
    (void)book.with(
        {.arrived_at = after(minutes(140) + std::chrono::milliseconds{50}), .waited = true, .retained = true},
        of_boot(2, 575, 40));
    (void)book(minutes(143), of_boot(2, 576, 4));
    CHECK(book.total() == 44);
}
