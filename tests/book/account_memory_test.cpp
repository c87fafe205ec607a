// An account's memory as a record: the record is small, and reading it gives the same memory.
#include <fmt/format.h>

#include <catch2/catch.hpp>

#include "book/account.hpp"
#include "ledger_world.hpp"
#include "store/schema.hpp"

using namespace tickledger;
using namespace tickledger::test;

namespace {

/// The state that the ledger stores for a meter whose node sends every three minutes and sees a tick every
/// hour.
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

/// state_after(15) as an older version wrote it: JSON with every value and every rung of the ladder.
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

std::string hex(const std::string& bytes) {
    std::string text;
    for (const char byte : bytes)
        text += fmt::format("{:02x}", static_cast<unsigned char>(byte));
    return text;
}

std::string unhex(std::string_view text) {
    std::string bytes;
    for (std::size_t at = 0; at < text.size(); at += 2)
        bytes += static_cast<char>(std::stoi(std::string(text.substr(at, 2)), nullptr, 16));
    return bytes;
}

Observation seen(int minute) {
    Observation seen;
    seen.at = at_min(minute) + Duration{123'456};
    seen.count = ~std::uint64_t{0};
    seen.boot = 0x8000'0000'0000'0001U;
    seen.seq = 0;
    seen.saved = 7;
    seen.uptime = Duration{1'500'000};
    seen.time_estimated = true;
    seen.arrived_at = at_min(minute + 1);
    seen.no_earlier = at_min(minute - 60);
    seen.hurry_from = at_min(minute - 30) + Duration{1};
    seen.hurried = 3;
    seen.node_time = instant_of(-1);
    return seen;
}

/// A memory with a value in every field.
AccountMemory with_everything() {
    AccountMemory memory;
    memory.counter.last = seen(600);
    memory.counter.held = Held{seen(610), 42, true};
    memory.total_ticks = -1'000'000;
    memory.closed_until = at_min(585);
    memory.meter_register = {.first_at = at_min(-100'000),
                             .start_ul = -5,
                             .read_by_eye_at = at_min(30),
                             .pulse_values = {{at_min(0), 3, 7}, {at_min(1440), 1, 1}}};
    memory.heard_at = at_min(601);
    memory.heard_since = at_min(599);
    memory.away = ToldAway{Instant::min(), Instant::max(), true};
    memory.last_span = Span{at_min(597), at_min(600)};
    memory.last_span_ticks = 12;
    memory.still_since = at_min(590);
    memory.night = Stillness({at_min(1500), at_min(1740)}, std::chrono::minutes{30});
    memory.clock_night = Span{at_min(1500), at_min(1740)};
    SlowLeak& slow_leak = memory.slow_leak.emplace();
    slow_leak.begin_night({at_min(0), at_min(360)});
    for (int minute = 0; minute < 360; minute += 10) {
        Entry entry;
        entry.span = {at_min(minute), at_min(minute + 10)};
        entry.ticks = minute % 60 == 0 ? 1 : 0;
        slow_leak.add(entry);
    }
    memory.slow_leak_period = std::chrono::hours{3};
    const MeterSettings meter = house();
    for (int minute = 0; minute < 60; ++minute) {
        Entry entry;
        entry.span = {at_min(minute), at_min(minute + 1)};
        entry.ticks = 100;
        (void)memory.high_flow.add(entry, meter);
        (void)memory.long_draw.add(entry, meter);
    }
    memory.faults = {at_min(1), Instant{}, instant_of(-7)};
    memory.ran_back = {{{at_min(1), at_min(2)}, 3}};
    memory.undrawn_since = at_min(3);
    memory.last_drawn = Span{at_min(1), at_min(3)};
    memory.recent_packs = {{~std::uint64_t{0}, at_min(9)}};
    memory.set_aside = {{{0, 0}}, {{1, 2}}};
    memory.clock_disbelieved = true;
    memory.held_message = HeldMessage{at_min(610), "nodes/house", std::string("\0{", 2)};
    memory.backlog = NodeBacklog{.readings = {{}, {.reading = {}, .message = {at_min(4), "nodes/a", ""}}},
                                 .is_burst = true,
                                 .follows_burst = true};
    memory.backlog->readings[0].reading.count = 99;
    return memory;
}

constexpr std::string_view first_version =
    "0180a9cd88f1fca5060139020003ffffffffffffffffff010481808080808080808001050037073801c08db701"
    "390106f1013abf703bfaa1bbe91a3c82d29a91e2f9cb0c29433d3d0280b0b4f80803ffffffffffffffffff0104"
    "81808080808080808001050037073801c08db701390106d1143adf5d3bfaf186f1113c82d29a91e2f9cb0c3e2a"
    "3f0109ff887a0a8f1c071f08ffd0c10b440945dfac0846120810ffe4084206430e081081a70c420243020bf101"
    "2aef012b2b10feffffffffffffffff018080808080808080800111feffffffffffffffff01ffffffffffffffff"
    "7f4f010c03cf05010e180fdf120d1f10c1970d11c1d91012a03813c1970d14c1970d15c1970d16c1970d17c197"
    "0d2c06c1970dc1d9102d0b0a40068fe3089fe1081c062eafdf082f068fe308afdf08189d01108fa90414df9f04"
    "13ffc1030d06ffe408ffc103197d01fecfacf30e00ffe4080a000001fecfacf30e84eef001ffe4080a01fecfac"
    "f30eccbbec01ffe4080a01fecfacf30ec4ced601ffe4080a01fecfacf30e98e2ca01ffe4080a01fecfacf30e80"
    "9fbe01ffe4080a01fecfacf30ec8a3b101ffe4080a01fecfacf30eec8fa401ffe4080a01fecfacf30efc819701"
    "ffe4080a2680dac40927f092c2061a151b06bff407bff40721c8011df00123ffe40820e05d1e0b228fe3081fbf"
    "f4071ce05d3013038fe30805fff0c0b41a089ad29a91e2f9cb0c31c0d10232100f41ffffffffffffffffff0102"
    "8fd40833060004040105023401351402e112470b6e6f6465732f686f7573654802007b36254c1f0a4a0203634b"
    "0447004800134a004b0f02bfdd0847076e6f6465732f6148004d014e01";

}  // namespace

TEST_CASE("the memory of a meter after a few messages takes few bytes") {
    const std::string state = state_after(15);
    CAPTURE(hex(state));
    CHECK(state.size() < 160);  // 1277 as JSON.
}

TEST_CASE("a memory reads back unchanged, whatever evidence it holds") {
    for (const int minutes : {0, 15, 2 * 24 * 60}) {
        const std::string state = state_after(minutes);
        CAPTURE(hex(state));
        CHECK(to_record(must(memory_from_record(state))) == state);
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
    const AccountMemory again = must(memory_from_record(to_record(memory)));
    CHECK(again.slow_leak == memory.slow_leak);
    CHECK(again.counter.last == memory.counter.last);
    CHECK(again.slow_leak_period == memory.slow_leak_period);
    CHECK(again.faults == memory.faults);
}

TEST_CASE("every field of a memory is kept, also at its extremes") {
    const AccountMemory memory = with_everything();
    const std::string record = to_record(memory);
    const AccountMemory again = must(memory_from_record(record));
    CHECK(to_record(again) == record);
    CHECK(again.counter.last == memory.counter.last);
    CHECK(again.counter.held == memory.counter.held);
    CHECK(again.away->from == Instant::min());
    CHECK(again.away->to == Instant::max());
    CHECK(again.closed_until == memory.closed_until);
    CHECK(again.held_message->payload == memory.held_message->payload);
    CHECK(again.backlog->readings.at(1).message.topic == "nodes/a");
    CHECK(again.set_aside == memory.set_aside);
    CHECK(again.ran_back == memory.ran_back);
    CHECK(again.meter_register.pulse_values.at(0).numerator == 3);
    CHECK(again.slow_leak == memory.slow_leak);
}

TEST_CASE("an account that slept has the same memory and open rows as before") {
    LedgerWorld world;
    MeterRules rules(world.meters[0], world.zone);
    Account account(world.key("house"), "house", rules);
    account.memory().total_ticks = 11;
    account.open_row(Step::interval) = {at_min(600), Row{3, std::chrono::minutes{15}, 1, 2}};
    account.open_row(Step::day) = {at_min(0), std::nullopt};
    (void)account.write_record();
    account.sleep();
    CHECK_FALSE(account.is_awake());
    CHECK(account.memory().total_ticks == 11);
    CHECK(account.open_row(Step::interval).start == at_min(600));
    CHECK(account.open_row(Step::interval).row == Row{3, std::chrono::minutes{15}, 1, 2});
    CHECK(account.open_row(Step::day).start == at_min(0));
    CHECK_FALSE(account.open_row(Step::day).row);
    CHECK_FALSE(account.open_row(Step::year).start);
}

TEST_CASE("a record of the first version can still be read") {
    // The record of with_everything() in the first version. Fields may be added to the list, but none may be
    // removed or moved.
    const AccountMemory memory = must(memory_from_record(unhex(first_version)));
    AccountMemory written = with_everything();
    written.counter.last->hurried = written.counter.held->observation.hurried = 0;  // Added since.
    CHECK(to_record(memory) == to_record(written));
}

TEST_CASE("a truncated record is reported as damaged, and no damaged record is read beyond its end") {
    const std::string record = to_record(with_everything());
    for (std::size_t length = 0; length < record.size(); ++length)
        (void)memory_from_record(record.substr(0, length));
    CHECK_FALSE(memory_from_record(record.substr(0, record.size() - 1)));
    CHECK_FALSE(memory_from_record(record + "x"));
    CHECK_FALSE(memory_from_record(""));
    for (std::size_t at = 0; at < record.size(); ++at) {
        for (const char other : {'\x00', '\x7f', '\xff'}) {
            std::string changed = record;
            changed[at] = other;
            (void)memory_from_record(changed);
        }
    }
}

TEST_CASE("a memory that an older version wrote in full can be read") {
    const AccountMemory memory = must(memory_from_record(written_in_full));
    CHECK(memory.slow_leak == must(memory_from_record(state_after(15))).slow_leak);
    CHECK(to_record(memory) == state_after(15));
}

TEST_CASE("rungs that an older version left out because they repeat the one before are restored") {
    auto json = nlohmann::json::parse(written_in_full);
    auto& rungs = json.at("slow_leak").at("rungs");
    for (std::size_t i = rungs.size() - 1; i > 0; --i) {
        REQUIRE(rungs[i] == rungs[i - 1]);
        rungs[i] = nlohmann::json::array();
    }
    CHECK(must(memory_from_record(json.dump())).slow_leak ==
          must(memory_from_record(written_in_full)).slow_leak);
    rungs[0] = nlohmann::json::array();
    CHECK_FALSE(memory_from_record(json.dump()));
}

TEST_CASE("a ledger of version 7 keeps the memories of its meters") {
    const TempDirectory directory;
    const auto file = directory / "ledger.db";
    {
        auto database = must(Database::open(file, Database::Access::write));
        must(bring_up_to_date(*database, schema_steps().first(7)));
        must(database->execute((std::string("INSERT INTO meter (key, id, state) VALUES (3, 'house', '") +
                                written_in_full + "'), (5, 'new', '')")
                                   .c_str()));
    }
    auto ledger = std::move(Ledger::open(file).value());
    const auto meters = must(ledger->meters());
    REQUIRE(meters.size() == 2);
    CHECK(meters[0].key == 3);
    CHECK(to_record(must(memory_from_record(meters[0].state))) == state_after(15));
    CHECK(meters[1].key == 5);
    CHECK(meters[1].state.empty());
}
