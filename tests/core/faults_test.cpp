// Faults in the booking of counts from real nodes. Each case is named after its fault.
#include "booking_fixture.hpp"

using namespace tickledger;
using namespace tickledger::test;
using std::chrono::hours;
using std::chrono::milliseconds;
using std::chrono::seconds;

namespace {

/// Replays a recording of counts, three minutes apart, with each arrival as it was recorded.
void play(Booker& book, const std::vector<std::uint64_t>& counts) {
    int at_min = 0;
    for (const std::uint64_t count : counts)
        (void)book(minutes(at_min += 3), count);
}

}  // namespace

TEST_CASE("the distance to the wrap was booked as water after a node lost its 16-bit count") {
    MeterSettings meter = counter_meter();
    meter.counter_bits = 16;
    Booker book(meter);
    (void)book(minutes(0), {.count = 39'990, .boot = 1, .seq = 1});
    (void)book(minutes(3), {.count = 40'000, .boot = 1, .seq = 2});
    (void)book(hours(12), {.count = 0, .boot = 2, .seq = 0});
    CHECK(book.total() == 10);
    CHECK(book.entries.back().kind == EntryKind::restart);
    (void)book(hours(12) + minutes(3), {.count = 7, .boot = 2, .seq = 1});
    CHECK(book.total() == 17);
}

TEST_CASE("an old message without a boot that was delivered again was taken for a restart") {
    Booker book(with_checkpoint(100));
    const auto hear = [&](Duration at, std::uint64_t count, std::uint64_t seq, Duration uptime) {
        return book(at, {.count = count, .seq = seq, .uptime = uptime});
    };
    (void)hear(minutes(0), 37'010, 4, hours(30));
    (void)hear(minutes(3), 37'092, 5, hours(30) + minutes(3));
    (void)hear(minutes(6), 37'092, 6, hours(30) + minutes(6));
    CHECK(hear(minutes(7), 37'092, 5, hours(30) + minutes(3)).outcome == Outcome::repeat);
    (void)hear(minutes(9), 37'098, 7, hours(30) + minutes(9));
    CHECK(book.total() == 88);
}

TEST_CASE("a recording without times and boots was counted again when it was replayed") {
    Booker book(counter_meter());
    play(book, {100, 110, 112, 114});
    const auto once = book.entries;
    const auto state = book.state;
    for (int round = 0; round < 2; ++round) {
        play(book, {100, 110, 112, 114});
        CHECK(book.entries == once);
        CHECK(book.state == state);
    }
}

TEST_CASE("a late reading without a time is recognised by its place in the recording") {
    Booker book(counter_meter());
    play(book, {100, 110});
    const auto booking = book(minutes(4), 104);
    CHECK(booking.outcome == Outcome::late);
    CHECK(booking.late_at == after(minutes(4)));
}

TEST_CASE("an older reading with the same count and its own time is late, not a repeat") {
    Booker book(counter_meter());
    (void)book(minutes(0), {.count = 100, .time = after(minutes(0))});
    (void)book(minutes(6), {.count = 105, .time = after(minutes(6))});
    const auto booking = book(minutes(7), {.count = 105, .time = after(minutes(3))});
    CHECK(booking.outcome == Outcome::late);
    CHECK(booking.late_at == after(minutes(3)));
}

TEST_CASE("a lower uptime was a restart even if the node cannot have started since then") {
    Booker book(with_checkpoint(1000));
    (void)book(minutes(0), {.count = 5040, .uptime = hours(50)});
    (void)book(minutes(3), {.count = 5045, .uptime = hours(49)});
    REQUIRE(book.entries.size() == 1);
    CHECK(book.entries[0].kind == EntryKind::measured);
    CHECK(book.entries[0].ticks == 5);
}

TEST_CASE("pulses without a number are not booked again when they are replayed at their place") {
    MeterSettings meter = counter_meter();
    meter.message = MessageForm::pulses;
    Booker book(meter);
    play(book, {5, 5, 6});
    CHECK(book.total() == 16);
    CHECK(book(minutes(9), 6).outcome == Outcome::repeat);
    CHECK(book(minutes(6), 5).outcome == Outcome::late);
    CHECK(book.total() == 16);
}

TEST_CASE("a backlog that a node sends with its first messages was taken for a preset") {
    Booker book(counter_meter());
    for (int n = 0; n < 14; ++n)
        (void)book(seconds(n), {.count = 1000U + 43U * static_cast<unsigned>(n),
                                .boot = 1,
                                .seq = 70U + static_cast<unsigned>(n)});
    CHECK(book.total() == 13 * 43);
    for (const Entry& entry : book.entries)
        CHECK(entry.kind == EntryKind::measured);
}

TEST_CASE("a backlog of the node right after a backlog of the broker was taken for a preset") {
    Booker book(counter_meter());
    (void)book(minutes(0), 1000);
    (void)book.with({.arrived_at = after(minutes(60)), .waited = true}, {.count = 1040});
    for (int n = 1; n <= 10; ++n)
        (void)book(minutes(60) + seconds(n), 1040U + 43U * static_cast<unsigned>(n));
    CHECK(book.total() == 470);
}

TEST_CASE("unseen_max before a message that waited covers all the time until it arrived") {
    Booker book(counter_meter());
    (void)book(minutes(0), {.count = 100, .boot = 1, .seq = 1});
    // Placed an hour before its arrival, two minutes after the last one. It may have been sent only now.
    (void)book.with({.arrived_at = after(minutes(62)), .waited = true, .behind = 20},
                    {.count = 3, .boot = 2, .seq = 0});
    REQUIRE(book.entries.size() == 1);
    CHECK(book.entries[0].kind == EntryKind::restart);
    CHECK(book.entries[0].unseen_max == book.rules.plausible_max(minutes(62)) - 3);
}

TEST_CASE("a gap in pulses has a bound of the ticks that may have run in it") {
    MeterSettings meter = counter_meter();
    meter.message = MessageForm::pulses;
    Booker book(meter);
    (void)book(minutes(0), {.count = 1, .boot = 1, .seq = 1});
    (void)book(minutes(12), {.count = 2, .boot = 1, .seq = 5});
    REQUIRE(book.entries.size() == 3);
    CHECK(book.entries[1].kind == EntryKind::lost);
    CHECK(book.entries[1].unseen_max == book.rules.plausible_max(minutes(12)));
}

TEST_CASE("a backlog sent in pieces right after the broker's backlog was taken for presets of two ticks") {
    for (const bool tells_boot : {true, false}) {
        Booker book(counter_meter());
        const auto reading = [&](std::uint64_t seq, std::uint64_t count) {
            Reading said{.count = count, .seq = seq};
            if (tells_boot) said.boot = 1;
            return said;
        };
        (void)book(minutes(0), reading(1, 1000));
        (void)book.with({.arrived_at = after(minutes(60)), .waited = true}, reading(2, 1040));
        // Pieces of three messages arrive two minutes apart. The node's cadence is three minutes.
        std::uint64_t seq = 2;
        for (int piece = 0; piece < 5; ++piece) {
            for (int n = 0; n < 3; ++n) {
                ++seq;
                (void)book(minutes(61 + 2 * piece) + seconds(n), reading(seq, 1040 + 40 * (seq - 2)));
            }
        }
        CHECK(book.total() == 40 + 15 * 40);
        // A larger advance than can run in a cadence is still held.
        CHECK(book(minutes(69) + seconds(3), reading(18, 1640 + 200)).outcome == Outcome::held);
    }
}

TEST_CASE("a backlog was taken for presets although its uptimes show how far apart its readings were") {
    Booker book(counter_meter());
    for (unsigned n = 0; n < 10; ++n) {
        (void)book(minutes(60) + seconds(40) * n,
                   {.count = 1000U + 60U * n, .boot = 1, .uptime = minutes(3) * n});
    }
    CHECK(book.total() == 9 * 60);
    CHECK(book(minutes(66) + seconds(1), {.count = 3000, .boot = 1, .uptime = minutes(30)}).outcome ==
          Outcome::held);
}

TEST_CASE("a node that always sends faster than its cadence is not allowed larger advances") {
    Booker book(counter_meter());
    for (int n = 0; n < 100; ++n)
        (void)book(seconds(10 * n), 1000U + static_cast<unsigned>(n));
    CHECK(book(seconds(1000), 3000).outcome == Outcome::held);
}

TEST_CASE("a repeated backlog was taken for newer than the held first message of a restart") {
    Booker book(with_checkpoint(1000));
    const auto told = [](int minute, std::uint64_t count, std::uint64_t seq) {
        Reading reading{.count = count};
        reading.seq = seq;
        reading.saved = 6000;
        reading.time = after(minutes(minute));
        return reading;
    };
    (void)book(minutes(0), told(0, 6837, 2515));
    (void)book(minutes(3), told(3, 6839, 2516));
    (void)book(minutes(6), told(6, 6841, 2517));
    CHECK(book(minutes(60), told(60, 6002, 1)).outcome == Outcome::held);
    const Booking again = book(minutes(61), told(3, 6839, 2516));
    CHECK(again.outcome == Outcome::late);
    CHECK(again.late_at == after(minutes(3)));
    (void)book(minutes(62), told(6, 6841, 2517));
    (void)book(minutes(63), told(63, 6005, 2));
    CHECK(book.total() == 4 + 5);
}

TEST_CASE("without boots, a message from before a restart was booked as an advance after it") {
    Booker book(with_checkpoint(1000));
    const auto told = [](int minute, std::uint64_t count, std::uint64_t seq, int uptime_min) {
        Reading reading{.count = count};
        reading.seq = seq;
        reading.uptime = minutes(uptime_min);
        reading.time = after(minutes(minute));
        return reading;
    };
    (void)book(minutes(0), told(0, 6837, 2515, 2515));
    (void)book(minutes(6), told(6, 6839, 2517, 2517));
    (void)book(minutes(60), told(60, 6000, 1, 1));
    (void)book(minutes(63), told(63, 6030, 2, 4));
    const auto before = book.total();
    const Booking late = book(minutes(160), told(3, 6838, 2516, 2516));
    CHECK(late.outcome == Outcome::late);
    CHECK(late.late_at == after(minutes(3)));
    CHECK(book.total() == before);
}

TEST_CASE("live messages after a count was set were strays while an older backlog arrived between them") {
    Booker book(with_checkpoint(1000));
    const auto told = [](int minute, std::uint64_t seq, std::uint64_t count) {
        Reading reading = of_boot(2, seq, count);
        reading.time = after(minutes(minute));
        return reading;
    };
    const Duration later = hours(3);
    (void)book(minutes(0), told(0, 1, 840990));
    CHECK(book(later, told(180, 61, 2000793108)).outcome == Outcome::held);
    CHECK(book(later + seconds(20), told(3, 2, 840993)).outcome == Outcome::booked);
    CHECK(book(later + minutes(3), told(183, 62, 2000793114)).outcome == Outcome::booked);
    (void)book(later + minutes(6), told(186, 63, 2000793121));
    CHECK(book.total() == 3 + 6 + 7);
    REQUIRE(book.entries.size() == 4);
    CHECK(book.entries[1].kind == EntryKind::preset);
    CHECK(book.entries[1].span == Span{after(minutes(3)), after(later)});
}

TEST_CASE("without boots, a backlog from before a restart was counted repeatedly among newer messages") {
    Booker book(with_checkpoint(1000));
    book.rules.cadence = minutes(15);
    const auto told = [&](int arrived_min, int minute, std::uint64_t seq, std::uint64_t count) {
        Reading reading{.count = count};
        reading.seq = seq;
        reading.time = after(minutes(minute));
        return book(minutes(arrived_min), reading);
    };
    (void)told(0, 0, 1689, 7191);
    CHECK(told(345, 345, 1, 7000).outcome == Outcome::held);
    CHECK(told(352, 15, 1690, 7203).outcome == Outcome::booked);
    CHECK(book.entries.back().span == Span{noon, after(minutes(15))});
    // The fall was a restart, and booking continues from its count.
    CHECK(told(360, 360, 2, 7002).outcome == Outcome::booked);
    CHECK(book.entries.back().begin_count == 7000);
    CHECK(book.total() == 12 + 2);
}

TEST_CASE("a register that ran back was a repeat if the message waited and the server's clock was behind") {
    MeterSettings meter = with_checkpoint(1);
    meter.counter_bits = 0;
    Booker book(meter);
    const auto told = [&](int minute, std::uint64_t count, bool waited) {
        Reading reading{.count = count};
        // Too far ahead of the server's clock to be believed.
        reading.time = after(minutes(minute) + hours(20));
        return book.with({.arrived_at = after(minutes(minute)), .waited = waited}, reading);
    };
    (void)told(0, 11027, false);
    (void)told(3, 11027, false);
    CHECK(told(6, 11023, true).outcome == Outcome::held);
    (void)told(9, 11023, true);
    CHECK(book.total() == -4);
    // An older message arrives again.
    CHECK(told(3, 11020, true).outcome == Outcome::repeat);
}

TEST_CASE("the slow backlog of an unknown boot ended the current boot") {
    // 32 ticks in 17 s are more than can run back. A node that saves every tick does not restart at a lower
    // count.
    Booker book(with_checkpoint(1));
    (void)book(seconds(0), of_boot(5, 345, 15'262));
    (void)book(seconds(30), of_boot(5, 346, 15'262));
    CHECK(book(seconds(47), of_boot(3, 1, 15'230)).outcome == Outcome::held);
    CHECK(book(seconds(60), of_boot(5, 347, 15'262)).stray);
    CHECK(book(seconds(103), of_boot(3, 2, 15'230)).outcome == Outcome::held);
    (void)book(seconds(120), of_boot(5, 348, 15'263));
    CHECK(book.total() == 1);
    CHECK(book.state.last->boot == 5);
}

TEST_CASE("a restart from a count that was set lower is booked with the next message") {
    Booker book(with_checkpoint(1));
    (void)book(minutes(0), of_boot(1, 1, 15'262));
    CHECK(book(minutes(1), of_boot(2, 1, 120)).outcome == Outcome::held);
    CHECK_FALSE(book(minutes(4), of_boot(2, 2, 125)).stray);
    REQUIRE(book.entries.size() == 2);
    CHECK(book.entries[0].kind == EntryKind::restart);
    CHECK(book.entries[0].ticks == 0);
    CHECK(book.entries[0].unseen_max.value_or(0) >= book.rules.plausible_max(minutes(1)));
    CHECK(book.total() == 5);
}

TEST_CASE("after a backlog of two boots, unseen_max covered only the time since the backlog arrived") {
    // The node's clock is corrected while its link is down, so the times in the rest of the backlog are
    // impossible.
    MeterSettings meter = counter_meter();
    meter.message = MessageForm::pulses;
    Booker book(meter);
    std::uint64_t seq = 1;
    const auto hear = [&](Duration at, std::uint64_t boot, Duration time, Duration uptime) {
        (void)book(at, {.count = 0, .time = after(time), .boot = boot, .seq = seq++, .uptime = uptime});
    };
    hear(minutes(0), 5, minutes(0), minutes(0));
    Duration at = hours(9);
    for (int n = 1; n < 20; ++n)
        hear(at += milliseconds(100), 5, minutes(60 + 3 * n), minutes(3 * n));
    hear(at += milliseconds(100), 5, minutes(60), minutes(60));
    seq = 1;
    for (int n = 0; n < 3; ++n)
        hear(at += milliseconds(100), 6, minutes(100 + 3 * n), minutes(1 + 3 * n));
    seq = 1;
    hear(at + seconds(30), 7, at + seconds(30), minutes(2));
    CHECK(book.entries.back().kind == EntryKind::restart);
    CHECK(book.entries.back().unseen_max.value_or(0) >= book.rules.plausible_max(at - minutes(130)));
}

TEST_CASE("a backlog that arrived in clusters was recognised only in its first cluster") {
    // Four messages at once every 4 minutes. That is much faster than the cadence of 3 minutes, with pauses.
    Booker book(with_checkpoint(0));
    std::uint64_t seq = 1;
    (void)book(minutes(0), of_boot(1, seq++, 20));
    Duration at = hours(9);
    for (int cluster = 0; cluster < 6; ++cluster, at += minutes(4))
        for (int n = 0; n < 4; ++n)
            (void)book(at + milliseconds(2 * n), of_boot(1, seq++, 20));
    (void)book(at, of_boot(2, 1, 0));
    CHECK(book.entries.back().kind == EntryKind::restart);
    CHECK(book.entries.back().unseen_max.value_or(0) >= book.rules.plausible_max(hours(9)));
}

TEST_CASE("a node that sends twice per cadence has no backlog for longer than it was silent") {
    Booker book(with_checkpoint(0));
    std::uint64_t seq = 1;
    (void)book(minutes(0), of_boot(1, seq++, 20));
    Duration at = minutes(20);
    for (; at < minutes(50); at += seconds(60))
        (void)book(at, of_boot(1, seq++, 20));
    (void)book(at, of_boot(2, 1, 0));
    CHECK(book.entries.back().kind == EntryKind::restart);
    CHECK(book.entries.back().unseen_max.value_or(0) <= book.rules.plausible_max(minutes(3)));
}

TEST_CASE("a restart of a node faster than its cadence was a repeat until it recounted the lost ticks") {
    // The messages have no boot and no number. After a silence, such messages seem to have waited.
    Booker book(with_checkpoint(10));
    const auto waited = [&](int at_s, std::uint64_t count, std::uint64_t saved) {
        return book.with({.arrived_at = after(hours(2) + seconds(at_s)), .waited = true},
                         {.count = count, .saved = saved});
    };
    (void)book(minutes(0), {.count = 335, .saved = 310});
    CHECK(waited(0, 330, 330).outcome == Outcome::held);
    CHECK(waited(25, 331, 330).outcome == Outcome::booked);
    (void)waited(50, 333, 330);
    CHECK(book.total() == 3);
    // A message from before the restart is a repeat.
    CHECK(waited(75, 329, 310).outcome == Outcome::repeat);
}

TEST_CASE("a count set by hand right before a restart was a stray") {
    Booker book(with_checkpoint(10));
    (void)book(minutes(0), of_boot(4, 1, 1'200'600'751));
    (void)book(minutes(3), of_boot(4, 2, 873'605));
    (void)book(minutes(6), of_boot(5, 1, 873'654));
    REQUIRE(book.entries.size() == 2);
    CHECK(book.entries[0].kind == EntryKind::preset);
    CHECK(book.total() == 49);
    // A wrong number before a restart that lost nine ticks is a stray.
    Booker misread(with_checkpoint(10));
    (void)misread(minutes(0), of_boot(4, 1, 1'000'009));
    (void)misread(minutes(3), of_boot(4, 2, 500'000));
    (void)misread(minutes(6), of_boot(5, 1, 1'000'003));
    CHECK(misread.total() == 3);
}

TEST_CASE("without a boot, a restart was a repeat for as long as a silence although its seq went on") {
    Booker book(counter_meter());
    const auto waited = [&](int at_s, std::uint64_t count, std::uint64_t seq) {
        return book.with({.arrived_at = after(hours(2) + seconds(at_s)), .waited = true},
                         {.count = count, .seq = seq, .uptime = seconds(at_s + 60)});
    };
    (void)book(minutes(0), {.count = 10'700, .seq = 299, .uptime = hours(9)});
    CHECK(waited(0, 0, 300).outcome == Outcome::booked);
    (void)waited(72, 5, 301);
    CHECK(book.total() == 5);
    CHECK(waited(144, 4, 290).outcome == Outcome::repeat);
}

TEST_CASE("a count set by hand stays a preset if numbered messages were lost before it") {
    Booker book(with_checkpoint(1));
    for (const auto& [minute, number, count] :
         {std::tuple{0, 0, 1000}, {3, 1, 1010}, {21, 7, 9000}, {24, 8, 9010}})
        (void)book(minutes(minute), {.count = std::uint64_t(count), .seq = std::uint64_t(number)});
    CHECK(std::ranges::count(book.entries, EntryKind::preset, &Entry::kind) == 1);
    CHECK(book.total() == 20);
}
