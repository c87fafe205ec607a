// Booking allocates no memory for a reading. This cost does not depend on the machine.
#include <cstdlib>
#include <new>

#include "booking_fixture.hpp"
#include "tickledger/series.hpp"

namespace {

// Counts the allocations of this thread only. No other test of this program runs at the same time.
thread_local std::size_t allocations = 0;

}  // namespace

void* operator new(std::size_t size) {
    ++allocations;
    if (void* memory = std::malloc(size)) return memory;
    throw std::bad_alloc();
}
void operator delete(void* memory) noexcept {
    std::free(memory);
}
void operator delete(void* memory, std::size_t) noexcept {
    std::free(memory);
}

using namespace tickledger;
using namespace tickledger::test;

namespace {

constexpr int readings = 10'000;
// The readings are three minutes apart and cover a little more than twenty days.
constexpr std::size_t days = readings * 3 / (24 * 60) + 1;

Reading reading_of(int i) {
    return {.count = static_cast<std::uint64_t>(i * 2),
            .boot = static_cast<std::uint64_t>(i / 300),
            .seq = static_cast<std::uint64_t>(i)};
}

MeterSettings checkpointed_meter() {
    MeterSettings meter = counter_meter();
    meter.checkpoint_ticks = 1000;
    return meter;
}

}  // namespace

TEST_CASE("booking allocates nothing") {
    const CounterRules rules(checkpointed_meter());
    CounterState state;
    const std::size_t before = allocations;
    std::int64_t ticks = 0;
    for (int i = 0; i < readings; ++i) {
        const Booking booking = book(state, reading_of(i), {.arrived_at = after(minutes(3 * i))}, rules);
        for (const Entry& entry : booking.entries())
            ticks += entry.ticks;
    }
    const std::size_t used = allocations - before;
    CHECK(used == 0);
    CHECK(ticks > 0);
}

TEST_CASE("finding rows allocates at most once per new day, never per reading") {
    const CounterRules rules(checkpointed_meter());
    CounterState state;
    RowFinder rows(*CivilZone::find("Europe/Lisbon"), std::chrono::minutes{15});
    std::vector<Share> intervals;
    std::vector<Share> coarser;
    const auto run = [&](int first, int last) {
        for (int i = first; i < last; ++i) {
            const Booking booking = book(state, reading_of(i), {.arrived_at = after(minutes(3 * i))}, rules);
            for (const Entry& entry : booking.entries()) {
                apportion(entry, rows, intervals);
                roll_up(entry, intervals, Step::day, rows, coarser);
            }
        }
    };
    run(0, 100);  // The scratch vectors now have their final size.
    const std::size_t before = allocations;
    run(100, readings);
    const std::size_t used = allocations - before;
    CHECK(used <= days);
}
