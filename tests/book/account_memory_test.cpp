// The memory of a meter as text: small, and the same memory when it is read back.
#include <catch2/catch.hpp>

#include "book/account.hpp"
#include "ledger_world.hpp"

using namespace tickledger;
using namespace tickledger::test;

namespace {

/// What the ledger keeps of a meter whose node speaks every three minutes and saw a tick each hour.
std::string state_after(int minutes) {
    LedgerWorld world;
    std::vector<Delivery> deliveries;
    for (int minute = 0; minute <= minutes; minute += 3) {
        Message message;
        message.arrived_at = at_min(minute);
        message.topic = "nodes/house";
        message.payload = "{\"count\":" + std::to_string(1000 + minute / 60) + "}";
        deliveries.push_back({std::move(message)});
    }
    world.take(std::move(deliveries));
    return must(world.ledger->meters()).at(0).state;
}

/// What state_after(15) was when each value and each rung of the ladder was written.
constexpr const char* written_in_full =
    R"({"last":{"at":1772324100000000,"count":1000,"placed":false,"arrived_at":1772324100000000,"no_earlier":0},)"
    R"("total_ticks":0,"closed_until":1772324100000000,"register":{"first_at":1772323200000000},)"
    R"("heard_at":1772324100000000,"last_span":[1772323920000000,1772324100000000],"last_span_ticks":0,)"
    R"("still_since":1772323200000000,"night":{"from":1772326800000000,"to":1772341200000000,)"
    R"("still_for":1800000000,"seen_to":1772326800000000,"still_from":1772326800000000,)"
    R"("maybe_from":1772326800000000,"longest_from":1772326800000000,"longest_to":1772326800000000,)"
    R"("longest_maybe":0},"slow_leak":{"from":1772323380000000,"still_from":1772323380000000,)"
    R"("seen_to":1772324100000000,"night":[1772326800000000,1772341200000000],"rungs":[)"
    R"([-1000,0,1772326800000000,0],[-1000,0,1772326800000000,0],[-1000,0,1772326800000000,0],)"
    R"([-1000,0,1772326800000000,0],[-1000,0,1772326800000000,0],[-1000,0,1772326800000000,0],)"
    R"([-1000,0,1772326800000000,0],[-1000,0,1772326800000000,0],[-1000,0,1772326800000000,0],)"
    R"([-1000,0,1772326800000000,0],[-1000,0,1772326800000000,0]],"lone_count":0,"still_h":0},)"
    R"("high_flow":{"block":[1772324100000000,1772324100000000],"ticks":0,"ticks_before":0,)"
    R"("length_before":180000000,"run_ticks":0,"low_from":1772323200000000},)"
    R"("long_draw":{"last_to":0,"ticks":0},"clock_disbelieved":false})";

}  // namespace

TEST_CASE("a meter that has spoken a few times is remembered in few bytes") {
    const std::string state = state_after(15);
    CAPTURE(state);
    CHECK(state.size() < 900);  // 1277 when every value was written.
}

TEST_CASE("a memory is the same when it is read back, whatever evidence it holds") {
    for (const int minutes : {0, 15, 2 * 24 * 60}) {
        const std::string state = state_after(minutes);
        CAPTURE(state);
        CHECK(to_json(must(memory_from_json(state))) == state);
    }

    AccountMemory memory;
    SlowLeak& slow_leak = memory.slow_leak.emplace();
    slow_leak.begin_night({at_min(0), at_min(360)});
    for (int minute = 0; minute < 360; minute += 10) {
        Entry entry;
        entry.span = {at_min(minute), at_min(minute + 10)};
        entry.ticks = minute % 60 == 0 ? 1 : 0;
        slow_leak.add(entry);
    }
    memory.counter.last = Observation{};
    memory.slow_leak_period = Duration{0};
    memory.faults = {Instant{}, at_min(1)};
    const AccountMemory again = must(memory_from_json(to_json(memory)));
    CHECK(again.slow_leak == memory.slow_leak);
    CHECK(again.counter.last == memory.counter.last);
    CHECK(again.slow_leak_period == memory.slow_leak_period);
    CHECK(again.faults == memory.faults);
}

TEST_CASE("a memory that an older version wrote in full is read") {
    const AccountMemory memory = must(memory_from_json(written_in_full));
    CHECK(memory.slow_leak == must(memory_from_json(state_after(15))).slow_leak);
    CHECK(to_json(memory) == state_after(15));
}
