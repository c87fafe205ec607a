// Registers that run back, and the counts of nodes that save every tick.
#include "booking_fixture.hpp"

using namespace tickledger;
using namespace tickledger::test;
using std::chrono::hours;
using std::chrono::seconds;

namespace {

MeterSettings register_meter() {
    MeterSettings meter = counter_meter();
    meter.message = MessageForm::volume;
    meter.counter_bits = 0;
    meter.checkpoint_ticks = 1;
    return meter;
}

}  // namespace

TEST_CASE("a fall that the next reading follows is booked as running back") {
    Booker book(register_meter());
    (void)book(minutes(0), 1000);
    CHECK(book(minutes(60), 992).outcome == Outcome::held);
    CHECK(book.entries.empty());
    CHECK(book(minutes(120), 1003).outcome == Outcome::booked);
    // It also follows the reading before, so that reading wins. The sum is the same.
    CHECK(book.total() == 3);
    (void)book(minutes(180), 1001);
    CHECK(book(minutes(240), 1001).outcome == Outcome::booked);
    REQUIRE(book.entries.size() == 3);
    CHECK(book.entries[1].kind == EntryKind::reverse);
    CHECK(book.entries[1].ticks == -2);
    CHECK(book.entries[1].span == Span{after(minutes(120)), after(minutes(180))});
    CHECK_FALSE(book.entries[1].unseen_max);
    CHECK(book.entries[2].kind == EntryKind::measured);
    CHECK(book.total() == 1);
}

TEST_CASE("a register that keeps running back is believed from the second fall on") {
    Booker book(register_meter());
    (void)book(minutes(0), 1000);
    (void)book(minutes(60), 998);
    const auto booking = book(minutes(120), 995);
    CHECK(booking.outcome == Outcome::held);
    CHECK_FALSE(booking.stray);
    (void)book(minutes(180), 995);
    REQUIRE(book.entries.size() == 3);
    CHECK(book.entries[0].ticks == -2);
    CHECK(book.entries[1].ticks == -3);
    CHECK(book.total() == -5);
}

TEST_CASE("a fall that the next reading contradicts was a stray") {
    Booker book(register_meter());
    (void)book(minutes(0), 1000);
    (void)book(minutes(60), 990);
    const auto booking = book(minutes(120), 1004);
    REQUIRE(booking.stray);
    CHECK(booking.stray->count == 990);
    CHECK(book.total() == 4);
}

TEST_CASE("a fall that is too large to have run back is a preset") {
    Booker book(register_meter());
    (void)book(minutes(0), 100'000);
    (void)book(minutes(3), 90'000);
    (void)book(minutes(6), 90'001);
    REQUIRE(book.entries.size() == 2);
    CHECK(book.entries[0].kind == EntryKind::preset);
    CHECK(book.total() == 1);
}

TEST_CASE("a wrong digit that water could explain is taken back when the next readings contradict it") {
    Booker book(register_meter());
    (void)book(minutes(0), 1000);
    (void)book(minutes(60), 1100);
    (void)book(minutes(120), 1002);
    (void)book(minutes(180), 1003);
    CHECK(book.total() == 3);
    CHECK(book.entries[1].kind == EntryKind::reverse);
    CHECK(book.entries[1].ticks == -98);
}

TEST_CASE("a register may run back over a restart of its reader") {
    Booker book(register_meter());
    (void)book(minutes(0), {.count = 1000, .boot = 1, .seq = 9});
    CHECK(book(minutes(60), {.count = 997, .boot = 2, .seq = 0}).outcome == Outcome::held);
    (void)book(minutes(120), {.count = 999, .boot = 2, .seq = 1});
    REQUIRE(book.entries.size() == 2);
    CHECK(book.entries[0].kind == EntryKind::reverse);
    CHECK(book.entries[0].ticks == -3);
    CHECK(book.entries[1].kind == EntryKind::measured);
    CHECK(book.total() == -1);
}

TEST_CASE("a count above its saved count has not run back") {
    MeterSettings meter = counter_meter();
    meter.checkpoint_ticks = 1;
    Booker book(meter);
    (void)book(minutes(0), {.count = 1000, .boot = 1, .seq = 9});
    (void)book(minutes(60), {.count = 997, .boot = 2, .seq = 0, .saved = 990});
    REQUIRE(book.entries.size() == 1);
    CHECK(book.entries[0].kind == EntryKind::restart);
    CHECK(book.entries[0].ticks == 7);
}

TEST_CASE("a display that rolls over to 0 is continued") {
    MeterSettings meter = register_meter();
    meter.rolls_over_at_l = {100'000, 1};
    Booker book(meter);
    (void)book(minutes(0), 99'990);
    (void)book(minutes(60), 15);
    CHECK(book.total() == 25);
    // Back across the rollover.
    (void)book(minutes(120), 99'998);
    (void)book(minutes(180), 99'999);
    CHECK(book.entries[1].kind == EntryKind::reverse);
    CHECK(book.entries[1].ticks == -17);
    CHECK(book.total() == 9);
}

TEST_CASE("a count that was set by hand while the register ran back was believed only once it stood still") {
    // Each fall replaced the one before it, and the ticks that had run back were booked again later.
    MeterSettings meter = counter_meter();
    meter.checkpoint_ticks = 1;
    Booker book(meter);
    (void)book(minutes(0), of_boot(1, 1, 874'804));
    (void)book(minutes(1), of_boot(1, 2, 874'802));
    (void)book(minutes(2), of_boot(1, 3, 2'000'750'518));
    (void)book(minutes(3), of_boot(1, 4, 2'000'750'515));
    (void)book(minutes(4), of_boot(1, 5, 2'000'750'513));
    (void)book(minutes(5), of_boot(1, 6, 2'000'750'513));
    REQUIRE(book.entries.size() == 4);
    CHECK(book.entries[0].kind == EntryKind::preset);
    CHECK(book.entries[0].end.count == 2'000'750'518);
    CHECK(book.entries[1].ticks == -3);
    CHECK(book.entries[2].ticks == -2);
    CHECK(book.entries[3].ticks == 0);
}

TEST_CASE("ticks that ran back in a long silence were booked as a nearly full turn of a 16-bit counter") {
    MeterSettings meter = counter_meter();
    meter.checkpoint_ticks = 1;
    meter.counter_bits = 16;
    // 65 511 L in a day are possible, but close to the most that the meter lets through.
    Booker book(meter);
    (void)book(minutes(0), of_boot(1, 1, 40'000));
    CHECK(book(hours(24), of_boot(1, 2, 39'975)).outcome == Outcome::held);
    (void)book(hours(24) + minutes(3), of_boot(1, 3, 39'980));
    CHECK(book.total() == -20);
    // In ten days it is easily possible, and the known boot decides.
    Booker slow(meter);
    (void)slow(minutes(0), of_boot(1, 1, 40'000));
    (void)slow(hours(240), of_boot(1, 2, 39'975));
    CHECK(slow.total() == 65'511);
    // A fall of a thousand is not small.
    Booker far(meter);
    (void)far(minutes(0), of_boot(1, 1, 40'000));
    (void)far(hours(24), of_boot(1, 2, 39'000));
    CHECK(far.total() == 64'536);
}

TEST_CASE("ticks that ran back were a full turn of the counter if a live message overtook a slow backlog") {
    MeterSettings meter = counter_meter();
    meter.checkpoint_ticks = 1;
    meter.counter_bits = 16;
    Booker book(meter);
    const auto hear = [&](Duration arrived, Duration sent, std::uint64_t seq, std::uint64_t count) {
        (void)book(arrived, {.count = count, .time = after(sent), .boot = 1, .seq = seq});
    };
    const Duration queue = hours(48);
    hear(minutes(0), minutes(0), 1, 40'000);
    hear(queue, minutes(3), 2, 40'000);
    hear(queue + seconds(1), queue + seconds(1), 961, 39'980);
    hear(queue + seconds(2), minutes(6), 3, 39'997);
    hear(queue + seconds(3), minutes(9), 4, 39'990);
    hear(queue + minutes(3), queue + minutes(3), 962, 39'981);
    hear(queue + minutes(6), queue + minutes(6), 963, 39'981);
    CHECK(book.total() == -19);
}

TEST_CASE("ticks that ran back after a restart's first message were lost if the count was set by hand") {
    Booker book(with_checkpoint(1));
    (void)book(minutes(0), of_boot(1, 1, 1'200'341'335));
    (void)book(minutes(9), of_boot(2, 1, 758'319));
    (void)book(minutes(12), of_boot(2, 2, 758'318));
    (void)book(minutes(15), of_boot(2, 3, 758'320));
    CHECK(book.total() == 1);
    CHECK(book.entries.front().kind == EntryKind::restart);
}
