// Water that runs too fast or too long, computed by hand. A tick is a litre; readings are a minute apart.
#include "tickledger/running_water.hpp"

#include "booking_fixture.hpp"

using namespace tickledger;
using namespace tickledger::test;
using std::chrono::hours;
using std::chrono::seconds;

namespace {

/// 600 L/h are ten ticks a minute.
MeterSettings watched() {
    MeterSettings meter = counter_meter();
    meter.cadence = minutes(1);
    meter.alarms.high_flow_l_per_h = Ratio{600, 1};
    meter.alarms.high_flow_for = minutes(10);
    meter.alarms.long_draw_volume_l = Ratio{500, 1};
    meter.alarms.long_draw_time = minutes(60);
    return meter;
}

/// Feeds entries, each of which begins when the last one ended.
template <typename Watch>
class Fed {
public:
    explicit Fed(const MeterSettings& settings = watched()) : meter(settings) {}

    bool operator()(Duration length, std::int64_t ticks, EntryKind kind = EntryKind::measured) {
        const Entry entry{.span = {now, now + length}, .ticks = ticks, .kind = kind, .end = {}};
        if (kind != EntryKind::adjustment) now += length;
        return watch.add(entry, meter);
    }
    /// Adds `count` equal minutes and returns the result of the last one.
    bool minutely(int count, std::int64_t ticks) {
        bool says = false;
        while (count-- > 0)
            says = (*this)(minutes(1), ticks);
        return says;
    }

    MeterSettings meter;
    Watch watch;
    Instant now = noon;
};

}  // namespace

TEST_CASE("a high flow is reported once it has lasted, from its computed beginning") {
    Fed<HighFlow> flow;
    CHECK_FALSE(flow.minutely(5, 0));
    const Instant begin = flow.now;
    CHECK_FALSE(flow.minutely(9, 12));
    CHECK(flow.minutely(1, 12));
    // The tick that was under way took five seconds at 720 L/h.
    CHECK(flow.watch.run() == Span{begin - seconds(5), begin + minutes(10)});
    CHECK(flow.watch.run_ticks() == 120);
    CHECK(flow.minutely(20, 12));
    CHECK(flow.watch.run_ticks() == 360);
    CHECK_FALSE(flow.minutely(1, 0));
    CHECK(flow.watch.run_ticks() == 0);
}

TEST_CASE("a burst that began within a minute includes its ticks of that minute") {
    Fed<HighFlow> flow;
    (void)flow.minutely(5, 0);
    (void)flow.minutely(1, 3);
    const Instant begin = flow.now;
    (void)flow.minutely(2, 12);
    CHECK(flow.watch.run().from == begin - seconds(20));
    CHECK(flow.watch.run_ticks() == 27);
    SECTION("and no ticks of the minutes before") {
        Fed<HighFlow> fast;
        (void)fast.minutely(5, 0);
        (void)fast.minutely(1, 9 - 1);
        (void)fast.minutely(2, 10);
        // Nine litres at 600 L/h.
        CHECK(fast.watch.run().from == fast.now - minutes(2) - seconds(54));
    }
}

TEST_CASE("a flow that may be at the limit within one tick counts as at the limit") {
    Fed<HighFlow> at_limit;
    CHECK(at_limit.minutely(11, 9));
    Fed<HighFlow> below;
    CHECK_FALSE(below.minutely(60, 8));
    CHECK(below.watch.run().length() == Duration{0});
}

TEST_CASE("readings closer together than five ticks at the limit are judged together") {
    Fed<HighFlow> flow;
    bool told = false;
    for (int n = 0; n < 63; ++n)
        told = flow(seconds(10), n % 2 == 0 ? 4 : 0);
    CHECK(told);
    CHECK(flow.watch.run().length() >= minutes(10));
    // An unfinished block that can no longer reach the limit is not reported.
    CHECK_FALSE(flow(seconds(20), 0));
    CHECK_FALSE(flow.watch.is_over(flow.meter));
}

TEST_CASE("a high flow is over once it has been low for high_flow_for, at least ten minutes") {
    const auto over_after = [](Duration high_flow_for, std::int64_t ticks) {
        MeterSettings meter = watched();
        meter.alarms.high_flow_for = high_flow_for;
        Fed<HighFlow> flow(meter);
        (void)flow.minutely(60, 12);
        int low = 0;
        while (low < 120 && !flow.watch.is_over(flow.meter)) {
            (void)flow.minutely(1, ticks);
            ++low;
        }
        return low;
    };
    CHECK(over_after(minutes(10), 0) == 10);
    CHECK(over_after(minutes(0), 0) == 10);
    CHECK(over_after(minutes(30), 0) == 30);
    // Nine tenths of the limit are not low yet. Eight ticks may be nine litres of the ten.
    CHECK(over_after(minutes(10), 7) == 10);
    CHECK(over_after(minutes(10), 8) == 120);
}

TEST_CASE("a high flow starts again after time that was not seen") {
    Fed<HighFlow> flow;
    (void)flow.minutely(9, 12);
    SECTION("a restart") {
        CHECK_FALSE(flow(minutes(1), 12, EntryKind::restart));
        CHECK(flow.watch.run() == Span{flow.now, flow.now});
        CHECK_FALSE(flow.minutely(9, 12));
        CHECK(flow.minutely(1, 12));
    }
    SECTION("missing time") {
        flow.now += minutes(5);
        CHECK_FALSE(flow.minutely(9, 12));
        CHECK(flow.minutely(1, 12));
        CHECK(flow.watch.run_ticks() == 120);
    }
    SECTION("an adjustment is not water") {
        CHECK_FALSE(flow(minutes(1), 1000, EntryKind::adjustment));
        CHECK(flow.minutely(1, 12));
        CHECK(flow.watch.run_ticks() == 120);
    }
}

TEST_CASE("a long draw is reported by its volume or by its duration") {
    Fed<LongDraw> slow;
    (void)slow.minutely(3, 0);
    const Instant first = slow.now + minutes(1);
    // From the end of the first span with a tick to the beginning of the newest.
    CHECK_FALSE(slow.minutely(61, 5));
    CHECK(slow.minutely(1, 5));
    CHECK(slow.watch.since() == first);
    CHECK(slow.watch.ticks() == 310);
    Fed<LongDraw> fast;
    CHECK_FALSE(fast.minutely(24, 20));
    CHECK(fast.minutely(1, 20));
    CHECK(fast.watch.ticks() == 500);
}

TEST_CASE("litres decide, not ticks") {
    MeterSettings tens = watched();
    tens.pulse_value_l = Ratio{10, 1};
    Fed<LongDraw> use(tens);
    CHECK_FALSE(use.minutely(24, 2));
    CHECK(use.minutely(1, 2));
    CHECK(use.watch.ticks() == 50);
    // 1 800 L/h are three such ticks per minute. The tick that was under way took twenty seconds.
    Fed<HighFlow> flow(tens);
    (void)flow.minutely(5, 0);
    const Instant begin = flow.now;
    CHECK(flow.minutely(10, 3));
    CHECK(flow.watch.run() == Span{begin - seconds(20), begin + minutes(10)});
}

TEST_CASE("a use ends when an open tap would have made a tick") {
    Fed<LongDraw> use;
    (void)use.minutely(10, 5);
    // In a minute without a tick, one litre at 60 L/h may be under way.
    CHECK_FALSE(use.minutely(1, 0));
    CHECK_FALSE(use.watch.is_shut());
    CHECK(use.watch.ticks() == 50);
    (void)use.minutely(1, 5);
    CHECK(use.watch.ticks() == 55);
    (void)use.minutely(2, 0);
    CHECK(use.watch.is_shut());
    CHECK(use.watch.ticks() == 0);
    (void)use.minutely(1, 5);
    CHECK(use.watch.since() == use.now);
    SECTION("or too few ticks") {
        CHECK_FALSE(use(minutes(5), 4));
        CHECK(use.watch.ticks() == 9);
        CHECK_FALSE(use(minutes(5), 3));
        CHECK(use.watch.is_shut());
        CHECK(use.watch.ticks() == 3);
        CHECK(use.watch.since() == use.now);
    }
}

TEST_CASE("a span that is too long to distinguish one use from several proves no long draw") {
    Fed<LongDraw> use;
    (void)use.minutely(10, 20);
    CHECK_FALSE(use(minutes(10) + seconds(1), 400));
    CHECK(use.watch.ticks() == 0);
    CHECK_FALSE(use(minutes(10), 400));
    CHECK(use.watch.ticks() == 400);
    SECTION("unless readings are always that far apart") {
        MeterSettings meter = watched();
        meter.cadence = minutes(15);
        Fed<LongDraw> coarse(meter);
        (void)coarse(minutes(30), 400);
        CHECK(coarse(minutes(15), 100));
        CHECK_FALSE(coarse(minutes(30) + seconds(1), 1000));
    }
    SECTION("a restart starts it again, an adjustment does not change it") {
        CHECK_FALSE(use(minutes(1), 1000, EntryKind::adjustment));
        CHECK(use.watch.ticks() == 400);
        CHECK_FALSE(use(minutes(1), 200, EntryKind::restart));
        CHECK(use.watch.ticks() == 0);
        (void)use(seconds(30), 0);
        CHECK_FALSE(use.watch.is_shut());
    }
}
