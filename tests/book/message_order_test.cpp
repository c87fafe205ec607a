// Messages that arrive again, late, out of order or after their boot was left.
#include "ledger_world.hpp"
#include "node_words.hpp"

using namespace tickledger;
using namespace tickledger::test;

TEST_CASE("a numbered message that arrives again, at any time, changes nothing") {
    LedgerWorld world;
    world.hear(at_min(600), numbered(1, 0, 100));
    world.hear(at_min(603), numbered(1, 1, 103));
    world.hear(at_min(606), numbered(1, 3, 109));
    world.hear(at_min(609), numbered(2, 0, 110));
    world.hear(at_min(612), numbered(3, 0, 111));
    const auto before = world.entries();
    for (const auto& [boot, seq, count] :
         {std::tuple{1, 0, 100}, {1, 1, 103}, {1, 3, 109}, {2, 0, 110}, {3, 0, 111}}) {
        world.hear(at_min(615), numbered(boot, seq, count));
    }
    CHECK(world.entries() == before);
    CHECK(must(world.view()->refused(world.key("house"), {at_min(0), at_min(2000)})).empty());
}

TEST_CASE("messages that arrived again were refused once a boot had sent more than half of its numbers") {
    for (const bool pulses : {false, true}) {
        MeterSettings meter = house();
        meter.seq_bits = 8;
        if (pulses) meter.message = MessageForm::pulses;
        LedgerWorld world({meter});
        const auto message = [&](int i) {
            return pulses ? "{\"pulses\":1,\"boot\":1,\"seq\":" + std::to_string(i % 256) + "}"
                          : numbered(1, i % 256, 100 + i);
        };
        // Twice around, with a message missing here and there.
        for (int i = 0; i < 600; ++i) {
            if (i % 50 != 49) world.arrive(at_min(3 * i), message(i));
        }
        const auto before = world.entries();
        for (int i = 599; i > 520; --i) {
            if (i % 50 != 49) world.arrive(at_min(1800), message(i));
        }
        CAPTURE(pulses);
        CHECK(world.entries() == before);
        CHECK(must(world.view()->refused(world.key("house"), {at_min(0), at_min(2000)})).empty());
    }
}

TEST_CASE(
    "a message that waited and had no new ticks is recognised when it arrives again after an earlier one") {
    LedgerWorld world;
    const auto message = [](int minute, int seq) {
        return Message{
            at_min(minute), "nodes/house", R"({"count":97,"boot":9,"seq":)" + std::to_string(seq) + "}", 1,
            false,          false};
    };
    const Message sixteenth = message(603, 16);
    world.take({{message(600, 14)}});
    world.take({{sixteenth, true, 0}});
    world.take({{message(606, 15)}});
    const auto before = world.entries();
    Message again = sixteenth;
    again.arrived_at = at_min(609);
    world.take({{again}});
    CHECK(world.entries() == before);
    // It leaves no gap in the numbers: the next message is booked as usual.
    world.hear(at_min(612), R"({"count":100,"boot":9,"seq":17})");
    CHECK(world.entries().back().ticks == 3);
}

TEST_CASE("a message that arrived late with a false time stayed missing until it arrived again") {
    LedgerWorld world;
    const auto message = [](int arrived_min, int told_min, int seq) {
        return Message{at_min(arrived_min),
                       "nodes/house",
                       R"({"count":97,"boot":9,"seq":)" + std::to_string(seq) + R"(,"time":")" +
                           format_utc(at_min(told_min)) + "\"}",
                       1,
                       false,
                       false};
    };
    const auto holes_at = [&](std::uint64_t seq) {
        return must(world.ledger->in_gap(world.key("house"), fingerprint("9"), seq));
    };
    world.take({{message(600, 600, 14)}});
    world.take({{message(606, 606, 16)}});
    CHECK(holes_at(15));
    // An hour ahead: not believed now, but believed when it arrives again.
    const Message ahead = message(607, 667, 15);
    SECTION("it had waited") {
        world.take({{ahead, true, 0}});
    }
    SECTION("it had not waited") {
        world.take({{ahead}});
    }
    CHECK_FALSE(holes_at(15));
    const auto before = world.entries();
    Message again = ahead;
    again.arrived_at = at_min(1200);
    world.take({{again, true, 0}});
    CHECK(world.entries() == before);
    CHECK(must(world.view()->refused(world.key("house"), {at_min(0), at_min(2000)})).empty());
}

TEST_CASE("a late count without a time stayed among the missing numbers until it was redelivered") {
    LedgerWorld world;
    const auto message = [](int arrived_min, int count, int seq) {
        return Message{
            at_min(arrived_min),
            "nodes/house",
            "{\"count\":" + std::to_string(count) + R"(,"boot":9,"seq":)" + std::to_string(seq) + "}",
            1,
            false,
            false};
    };
    world.take({{message(600, 90, 14)}});
    world.take({{message(603, 99, 16)}});
    CHECK(must(world.ledger->in_gap(world.key("house"), fingerprint("9"), 15)));
    world.take({{message(604, 95, 15)}});
    CHECK_FALSE(must(world.ledger->in_gap(world.key("house"), fingerprint("9"), 15)));
}

TEST_CASE("the first of more than sixteen strays in a row stayed among the missing numbers") {
    LedgerWorld world;
    const auto numbered = [](int seq, int count) {
        return "{\"count\":" + std::to_string(count) + R"(,"boot":9,"seq":)" + std::to_string(seq) + "}";
    };
    const auto strays = [&](int number) { return numbered(number, number % 2 == 0 ? 800'000 : 400'000); };
    world.hear(at_min(600), numbered(0, 100));
    for (int number = 1; number <= 20; ++number)
        world.hear(at_min(600 + 3 * number), strays(number));
    world.open();
    world.hear(at_min(663), numbered(21, 105));
    const auto entries = world.entries();
    const auto refused = [&] {
        return must(world.view()->refused(world.key("house"), {at_min(0), at_min(2000)})).size();
    };
    const auto refused_before = refused();
    for (int number = 1; number <= 20; ++number) {
        CAPTURE(number);
        CHECK_FALSE(must(
            world.ledger->in_gap(world.key("house"), fingerprint("9"), static_cast<std::uint64_t>(number))));
        world.hear(at_min(663 + number), strays(number));
    }
    CHECK(world.entries() == entries);
    CHECK(refused() == refused_before);
}

TEST_CASE("all counts were refused after the first message of the boot before had arrived late") {
    LedgerWorld world;
    world.hear(at_min(600), numbered(1, 7, 100));
    world.hear(at_min(603), numbered(1, 8, 103));
    // The node restarts twice. The third boot's first message overtakes the second boot's.
    world.hear(at_min(606), numbered(3, 0, 2));
    world.hear(at_min(607), numbered(2, 0, 1));
    SECTION("the node goes on sending: its third boot was not left") {
        world.hear(at_min(609), numbered(3, 1, 5));
        world.hear(at_min(612), numbered(3, 2, 9));
        world.hear(at_min(615), numbered(3, 3, 11));
        // 3, 1 and 11 for the three boots.
        CHECK(ticks_in(world) == 15);
        CHECK(world.entries().back().kind == EntryKind::measured);
        SECTION("nothing changes when all messages arrive again") {
            const auto before = world.entries();
            for (const auto& [boot, seq, count] :
                 {std::tuple{1, 8, 103}, {3, 0, 2}, {2, 0, 1}, {3, 1, 5}, {3, 2, 9}})
                world.hear(at_min(630), numbered(boot, seq, count));
            CHECK(world.entries() == before);
        }
        SECTION("also across a restart of the daemon") {
            world.open();
            world.hear(at_min(618), numbered(3, 4, 12));
            CHECK(world.entries().back().ticks == 1);
        }
    }
    SECTION("a boot that was left is not resumed by the rest of its queue") {
        world.hear(at_min(610), numbered(2, 1, 4));
        const auto before = world.entries();
        world.hear(at_min(612), numbered(3, 1, 5));
        world.hear(at_min(613), numbered(2, 2, 6));
        CHECK(world.entries().size() == before.size() + 1);
        CHECK(world.entries().back().ticks == 2);
    }
}

TEST_CASE("a boot that was left was resumed by its queue after the whole node had been silent") {
    LedgerWorld world;
    world.hear(at_min(600), numbered(2, 1, 100));
    world.hear(at_min(603), numbered(2, 2, 103));
    // The third boot sends live. In between, the node still sends the queue of the second.
    world.hear(at_min(606), numbered(3, 1, 110));
    world.hear(at_min(607), numbered(2, 3, 104));
    world.hear(at_min(609), numbered(3, 2, 115));
    world.hear(at_min(610), numbered(2, 4, 105));
    world.hear(at_min(612), numbered(3, 3, 120));
    world.hear(at_min(912), numbered(2, 5, 106));
    world.hear(at_min(913), numbered(2, 6, 106));
    world.hear(at_min(914), numbered(4, 1, 130));
    CHECK(ticks_in(world) == 30);
}

TEST_CASE("a message from before a restart was booked as a gain of a node that sends no boot") {
    LedgerWorld world({saving_house(1000)});
    const auto ticks = [&] { return ticks_in(world); };
    world.hear(at_min(600), timed(600, 2515, 6837));
    world.hear(at_min(606), timed(606, 2517, 6839));
    world.hear(at_min(660), timed(660, 1, 6000));
    world.hear(at_min(663), timed(663, 2, 6003));
    const auto before = ticks();
    const auto entries = world.entries().size();
    world.hear(at_min(900), timed(603, 2516, 6838));
    CHECK(ticks() == before);
    // It divides the entry around it.
    CHECK(world.entries().size() == entries + 1);
    SECTION("a clock that was set back is not an earlier boot") {
        world.hear(at_min(903), timed(663 + 3, 3, 6010));
        const auto so_far = ticks();
        world.hear(at_min(906), timed(640, 4, 6012));
        CHECK(ticks() == so_far + 2);
    }
}

TEST_CASE("a queue from before a restart was booked again if the node sent far more often than its cadence") {
    LedgerWorld world({saving_house(1000)});
    world.hear(at_min(597), timed(597, 99, 1500));
    world.hear(at_min(600), timed(600, 100, 1500));
    // 300 messages of one hour wait at the node, which sends its newest ones first.
    world.hear(at_min(660), timed(660, 400, 1800));
    world.hear(at_min(663), timed(663, 401, 1803));
    world.hear(at_min(700), timed(700, 1, 1000));
    world.hear(at_min(703), timed(703, 2, 1003));
    const auto before = ticks_in(world);
    for (int queued = 1; queued < 20; ++queued)
        world.hear(at_min(703 + queued), timed(600 + queued, 100 + 5 * queued, 1500 + 5 * queued));
    CHECK(ticks_in(world) == before);
    world.hear(at_min(723), timed(723, 3, 1010));
    CHECK(ticks_in(world) == before + 7);
}

TEST_CASE("a queue among live messages was booked again and again while the server's clock was behind") {
    MeterSettings meter = house();
    bool tells_uptime = false;
    SECTION("a node that keeps no count") {}
    SECTION("a node that saves every tenth tick and sends its uptime") {
        meter.checkpoint_ticks = 10;
        tells_uptime = true;
    }
    LedgerWorld world({meter});
    const auto told = [&](int minute, int count, int started_min = 0) {
        const auto uptime = "\"uptime\":" + std::to_string(60 * (minute - started_min)) + ",";
        return "{" + (tells_uptime ? uptime : "") + "\"count\":" + std::to_string(count) + ",\"time\":\"" +
               format_utc(at_min(minute)) + "\"}";
    };
    const auto ticks = [&] { return ticks_in(world); };
    world.hear(at_min(600), told(600, 100));
    // The server's clock is set back by an hour. Live messages are ahead of it, queued ones are not.
    world.hear(at_min(603), told(666, 106));
    world.hear(at_min(606), told(669, 106));
    world.hear(at_min(609), told(608, 100));
    world.hear(at_min(612), told(611, 100));
    world.hear(at_min(615), told(614, 106));
    CHECK(ticks() == 6);
    CHECK(must(world.view()->refused(world.key("house"), {at_min(0), at_min(2000)})).empty());
    // The node restarts, and the two clocks agree again.
    world.hear(at_min(618), told(676, 107));
    const int restored = tells_uptime ? 100 : 0;
    world.hear(at_min(621), told(621, restored + 3, 620));
    world.hear(at_min(624), told(624, restored + 5, 620));
    CHECK(ticks() == 7 + 5);
}

TEST_CASE("a boot's queue was booked again after a live message while the server's clock was behind") {
    LedgerWorld world;
    const auto told = [&](int minute, int count) {
        return R"({"boot":1,"count":)" + std::to_string(count) + ",\"time\":\"" + format_utc(at_min(minute)) +
               "\"}";
    };
    world.hear(at_min(600), told(600, 9472));
    // The server's clock is set back by half an hour, so live messages seem to be ahead of it.
    world.hear(at_min(603), told(633, 9475));
    world.hear(at_min(606), told(605, 9473));
    world.hear(at_min(609), told(608, 9473));
    world.hear(at_min(612), told(636, 9475));
    CHECK(ticks_in(world) == 3);
}
