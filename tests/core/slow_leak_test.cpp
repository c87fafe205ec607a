#include "tickledger/slow_leak.hpp"

#include <catch2/catch.hpp>
#include <functional>

using namespace tickledger;
using namespace std::chrono_literals;

namespace {

const Instant midnight{std::chrono::sys_days{std::chrono::year{2026} / 3 / 1}};
constexpr Duration cadence = 3min;

/// A meter with a reading every three minutes. The night is 01:00 to 05:00.
struct House {
    SlowLeak slow_leak;
    Instant now = midnight;
    /// The number of ticks in the span that ends at a moment.
    std::function<int(Instant)> ticks = [](Instant) { return 0; };
    EntryKind kind_at_night = EntryKind::measured;

    static Duration time_of_day(Instant t) { return (t - midnight) % 24h; }
    static bool is_night(Instant t) { return time_of_day(t) > 1h && time_of_day(t) <= 5h; }

    void live_until(Instant t) {
        while (now < t && !slow_leak.finding())
            live_a_span();
    }
    void live_a_span() {
        const Span span{now, now + cadence};
        if (slow_leak.is_past_night(now)) {
            const Instant day = midnight + (now - midnight) / 24h * 24h;
            const Instant next = now < day + 5h ? day : day + 24h;
            slow_leak.begin_night({next + 1h, next + 5h});
        }
        Entry entry;
        entry.span = span;
        entry.ticks = ticks(span.to);
        if (is_night(span.to)) entry.kind = kind_at_night;
        slow_leak.add(entry);
        now = span.to;
    }
    [[nodiscard]] double days() const { return std::chrono::duration<double>(now - midnight) / 24h; }
};

/// One tick every period.
auto each(Duration period) {
    return
        [period](Instant t) { return (t - midnight) / period > (t - cadence - midnight) / period ? 1 : 0; };
}

/// Five ticks in the evening and five in the morning, like a flush.
int mornings_and_evenings(Instant t) {
    const Duration time = House::time_of_day(t);
    return time == 23h || time == 6h + 30min ? 5 : 0;
}

}  // namespace

TEST_CASE("a leak of one tick in two hours is found within a week, with its period") {
    House house;
    house.ticks = [](Instant t) { return each(2h)(t) + mornings_and_evenings(t); };
    house.live_until(midnight + 7 * 24h);
    const auto finding = house.slow_leak.finding();
    REQUIRE(finding);
    CHECK(std::chrono::duration<double>(finding->period) / 1h == Approx(2).epsilon(0.25));
    CHECK(finding->lone_ticks >= 4);
    CHECK(finding->since >= midnight - 24h);
    CHECK(house.days() > 1);
}

TEST_CASE("a leak of one tick in four hours is found within two weeks") {
    House house;
    house.ticks = [](Instant t) { return each(4h + 1min)(t) + mornings_and_evenings(t); };
    house.live_until(midnight + 14 * 24h);
    REQUIRE(house.slow_leak.finding());
    CHECK(std::chrono::duration<double>(house.slow_leak.finding()->period) / 1h == Approx(4).epsilon(0.25));
}

TEST_CASE("a house that uses water by day and none at night shows no slow leak in a year") {
    House house;
    house.ticks = mornings_and_evenings;
    house.live_until(midnight + 365 * 24h);
    CHECK_FALSE(house.slow_leak.finding());
}

TEST_CASE("a glass of water every night is not a slow leak") {
    House house;
    house.ticks = [](Instant t) { return mornings_and_evenings(t) + (House::time_of_day(t) == 3h ? 1 : 0); };
    house.live_until(midnight + 365 * 24h);
    CHECK_FALSE(house.slow_leak.finding());
}

TEST_CASE("a stillness that is longer than a leak's period is evidence against it, at any time of the day") {
    // A tick every two hours, except for six hours every afternoon.
    House house;
    house.ticks = [](Instant t) {
        const Duration time = House::time_of_day(t);
        return time > 12h && time < 18h + 30min ? 0 : each(2h)(t);
    };
    house.live_until(midnight + 60 * 24h);
    CHECK_FALSE(house.slow_leak.finding());
}

TEST_CASE("missing data is not evidence of a leak") {
    for (const EntryKind kind : {EntryKind::restart, EntryKind::lost}) {
        House house;
        house.ticks = each(2h);
        house.kind_at_night = kind;
        house.live_until(midnight + 60 * 24h);
        CHECK_FALSE(house.slow_leak.finding());
    }
}

TEST_CASE("a leak is refuted by a longer stillness than it would allow") {
    House house;
    house.ticks = each(2h);
    house.live_until(midnight + 14 * 24h);
    REQUIRE(house.slow_leak.finding());
    const Duration period = house.slow_leak.finding()->period;
    CHECK_FALSE(house.slow_leak.refutes(period));
    house.ticks = [](Instant) { return 0; };
    const Instant stopped = house.now;
    while (house.now < stopped + 2h)
        house.live_a_span();
    CHECK_FALSE(house.slow_leak.refutes(period));
    while (house.now < stopped + 3h + 30min)
        house.live_a_span();
    CHECK(house.slow_leak.refutes(period));
}
