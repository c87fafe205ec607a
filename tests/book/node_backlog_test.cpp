// A node's own backlog, through the whole bookkeeper: every tick is booked once, whatever happens to the
// daemon or the messages.
#include <fmt/format.h>

#include "backlog_node.hpp"
#include "book/summary.hpp"

using namespace tickledger;
using namespace tickledger::test;
using std::chrono::milliseconds;
using std::chrono::minutes;
using std::chrono::seconds;

TEST_CASE("fourteen readings that waited at the node were booked as a preset") {
    for (const Form form : forms) {
        LedgerWorld world;
        Node node(world, form);
        node.away();
        node.send_queue(at_min(645));
        CHECK(total(world) == 0);
        world.run_clock(at_min(650));
        CHECK(total(world) == ran);
        CHECK(none_refused(world));
        const auto entries = world.entries();
        REQUIRE(entries.size() == 15);
        for (std::size_t n = 1; n < entries.size(); ++n) {
            CHECK(entries[n].time_estimated);
            CHECK(entries[n].ticks == (n < 13 ? 43 : 42));
        }
        // Placed one cadence apart, back from the arrival.
        CHECK(entries.back().span.to - entries[1].span.to > minutes{38});
    }
}

TEST_CASE(
    "an old message that arrived again ended the silence, and the queue after it was booked as a preset") {
    LedgerWorld world;
    Node node(world, {true, false});
    node.speak(at_min(600));
    node.run(10);
    node.speak(at_min(603));
    for (int n = 0; n < 14; ++n) {
        node.run(n < 12 ? 43 : 42);
        node.queue();
    }
    node.send(at_min(642), R"({"count":5000,"boot":7})");
    world.run_clock(at_min(644));
    node.send_queue(at_min(645));
    world.run_clock(at_min(650));
    CHECK(total(world) == 10 + ran);
}

TEST_CASE(
    "the broker's retained copy ended the silence, and the queue right behind it was booked as restarts") {
    for (const Form form : forms) {
        INFO("boot " << form.boot << ", seq " << form.seq);
        LedgerWorld world;
        Node node(world, form);
        node.away();
        // The node sent its newest reading at once, while the daemon was not connected.
        node.run(10);
        node.queue();
        world.arrive_as_copy(at_min(645), node.queued().back());
        node.send_queue(at_min(645) + seconds{1}, 0, 14);
        node.run(7);
        node.speak(at_min(648));
        CHECK(total(world) == ran + 10 + 7);
        CHECK(none_refused(world));
    }
}

TEST_CASE("a reading after a silence is booked as it is if no other follows at once") {
    LedgerWorld world;
    Node node(world, {});
    node.speak(at_min(600));
    node.speak(at_min(603));
    node.run(50);
    node.send(at_min(640), R"({"count":5050,"boot":7,"seq":72})");
    CHECK(world.entries().size() == 1);
    const auto shown =
        must(summarise(must(world.ledger->meters()).front(), world.meters.front(), world.zone)).held;
    REQUIRE(shown.has_value());
    CHECK(shown->kind == EntryKind::held);
    CHECK(shown->time_estimated);
    CHECK(shown->span == Span{at_min(603), at_min(640)});
    world.run_clock(at_min(641));
    CHECK(world.entries().size() == 1);
    world.run_clock(at_min(642));
    REQUIRE(world.entries().size() == 2);
    CHECK(world.entries()[1].span == Span{at_min(603), at_min(640)});
    CHECK_FALSE(world.entries()[1].time_estimated);
}

TEST_CASE("a daemon that was killed within a node's backlog books the same as one that ran on") {
    for (const Form form : forms) {
        LedgerWorld whole;
        LedgerWorld killed;
        Node one(whole, form);
        Node other(killed, form);
        one.away();
        other.away();
        for (std::size_t n = 0; n < 14; ++n) {
            const Instant at = at_min(645) + milliseconds{100} * static_cast<int>(n);
            one.send(at, one.queued()[n]);
            other.send(at, other.queued()[n]);
            killed.open();
        }
        for (LedgerWorld* world : {&whole, &killed}) {
            world->run_clock(at_min(646));
            world->open();
            world->run_clock(at_min(660));
        }
        CHECK(whole.entries() == killed.entries());
        CHECK(total(killed) == ran);
    }
}

TEST_CASE("a backlog that arrives in pieces, with pauses in between, books the same ticks") {
    for (const Form form : forms) {
        for (const Duration pause : {Duration{seconds{30}}, Duration{minutes{2}}, Duration{minutes{4}}}) {
            LedgerWorld world;
            Node node(world, form);
            node.away();
            node.send_queue(at_min(645), 0, 5);
            node.send_queue(at_min(645) + pause, 5, 5);
            node.send_queue(at_min(645) + pause * 2, 10, 4);
            world.run_clock(at_min(700));
            CHECK(total(world) == ran);
            CHECK(none_refused(world));
            const auto entries = world.entries();
            CHECK(std::count_if(entries.begin(), entries.end(),
                                [](const Entry& entry) { return entry.time_estimated; }) == 14);
        }
    }
}

TEST_CASE("a backlog in which every message arrives twice is booked once") {
    for (const Form form : {Form{true, true}, Form{false, true}, Form{false, false}}) {
        LedgerWorld world;
        Node node(world, form);
        node.away();
        for (std::size_t n = 0; n < 14; ++n) {
            for (const int again : {0, 1})
                node.send(at_min(645) + milliseconds{100 * static_cast<int>(n) + again}, node.queued()[n]);
        }
        world.run_clock(at_min(650));
        CHECK(total(world) == ran);
        CHECK(none_refused(world));
    }
}

TEST_CASE("live messages among and after a node's backlog lose no ticks and invent none") {
    for (const Form form : forms) {
        LedgerWorld world;
        Node node(world, form);
        node.away();
        node.send_queue(at_min(645));
        for (int n = 1; n <= 5; ++n) {
            node.run(20);
            node.speak(at_min(645) + seconds{40} + minutes{3} * (n - 1));
        }
        world.run_clock(at_min(700));
        CHECK(total(world) == ran + 100);
        CHECK(none_refused(world));
        CHECK_FALSE(world.entries().back().time_estimated);
    }
}

TEST_CASE("a backlog without ticks is no proof of stillness: its times are estimated") {
    for (const Form form : forms) {
        LedgerWorld world;
        Node node(world, form);
        node.speak(at_min(600));
        for (int n = 0; n < 10; ++n)
            node.queue();
        node.send_queue(at_min(645));
        world.run_clock(at_min(650));
        CHECK(total(world) == 0);
        for (const Entry& entry : world.entries())
            CHECK((entry.time_estimated || entry.span.to == at_min(600)));
    }
}

TEST_CASE("a boot's repeated first message was taken for a new one while a later one of that boot was held") {
    MeterSettings meter = house();
    meter.message = MessageForm::pulses;
    LedgerWorld world({meter});
    world.hear(at_min(600), R"({"pulses":0,"boot":1,"seq":0})");
    world.hear(at_min(603), R"({"pulses":0,"boot":2,"seq":1})");
    // From the boot before, with too many ticks for its time: held until another message confirms or refutes
    // it.
    world.hear(at_min(603), R"({"pulses":174,"boot":1,"seq":1})");
    const auto before = world.entries();
    Message again;
    again.arrived_at = at_min(1320);
    again.topic = "nodes/house";
    again.payload = R"({"pulses":0,"boot":1,"seq":0})";
    again.redelivered = true;
    world.take({{.event = std::move(again), .waited = true}});
    CHECK(world.entries() == before);
}

TEST_CASE("more readings than one backlog holds are booked as several backlogs") {
    LedgerWorld world;
    Node node(world, {});
    node.speak(at_min(600));
    std::uint64_t sum = 0;
    for (int n = 0; n < 1203; ++n) {
        node.run(7);
        sum += 7;
        node.queue();
    }
    node.send_queue(at_min(600 + 1203 * 3), 0, 2000);
    world.run_clock(at_min(600 + 1203 * 3 + 30));
    CHECK(total(world) == static_cast<std::int64_t>(sum));
    CHECK(none_refused(world));
}

TEST_CASE("a recording with a silence and a backlog changes nothing when it is read again") {
    for (const Form form : forms) {
        LedgerWorld world;
        Node node(world, form);
        std::vector<std::pair<Instant, std::string>> recording;
        const auto play = [&] {
            for (const auto& [at, text] : recording)
                node.send(at, text);
            world.run_clock(at_min(700));
        };
        std::uint64_t seq = 0;
        const auto line = [&](Instant at, int count) {
            std::string text = "{\"count\":" + std::to_string(count);
            if (form.boot) text += ",\"boot\":7";
            if (form.seq) text += ",\"seq\":" + std::to_string(seq++);
            recording.emplace_back(at, text + "}");
        };
        for (const int minute : {600, 603, 606, 609})
            line(at_min(minute), minute);
        for (int n = 0; n < 14; ++n)
            line(at_min(650) + milliseconds{100} * n, 650 + 20 * n);
        line(at_min(653), 930);
        play();
        const auto once = world.entries();
        const std::int64_t sum = total(world);
        CHECK(sum == 330);
        for (int round = 0; round < 2; ++round) {
            play();
            CHECK(world.entries() == once);
        }
        std::reverse(recording.begin(), recording.end());
        play();
        CHECK(total(world) == sum);
    }
}

TEST_CASE("an overtaken count in a slowly sent queue was taken for a fall") {
    LedgerWorld world;
    for (int n = 0; n <= 3; ++n)
        world.hear_count(at_min(3 * n), 1000U + static_cast<unsigned>(n));
    // After an hour offline a queued reading arrives every half minute, with new readings in between.
    const auto hear = [&](Duration after_an_hour, std::uint64_t count) {
        Message message;
        message.arrived_at = at_min(70) + after_an_hour;
        message.topic = "nodes/house";
        message.payload = fmt::format(R"({{"count":{}}})", count);
        world.take({{std::move(message)}});
    };
    for (int n = 0; n < 20; ++n) {
        hear(seconds{30} * n, 1003U + static_cast<unsigned>(n));
        if (n % 6 == 4) hear(seconds{30} * n + seconds{10}, 1023U + static_cast<unsigned>(n) / 6);
    }
    hear(minutes{12}, 1026);
    hear(minutes{15}, 1027);
    world.run_clock(at_min(90));
    CHECK(total(world) == 27);
    CHECK(none_refused(world));
}

TEST_CASE("a slowly sent queue beside live readings was a preset, or was counted twice") {
    // The node was offline for five hours. It sends the hundred readings of its queue in pieces, and its live
    // readings meanwhile. Without numbers, a slow queue cannot be told from a count set by hand.
    const Form form = GENERATE(Form{true, true}, Form{false, true}, Form{true, false}, Form{false, false});
    const milliseconds apart{form.seq ? GENERATE(1'000, 45'000, 89'000, 120'000) : GENERATE(100, 1'000)};
    const int piece = GENERATE(5, 100);
    const seconds live_from{GENERATE(0, 50, 100)};
    const int ticks = GENERATE(3, 60);
    INFO(fmt::format("boot {}, seq {}, {} ms apart in pieces of {}, live from {} s, {} ticks a reading",
                     form.boot, form.seq, apart.count(), piece, live_from.count(), ticks));
    std::vector<std::pair<Instant, int>> readings{{at_min(300), 0}};
    Instant at = at_min(600);
    for (int number = 1; number <= 100; ++number) {
        readings.emplace_back(at, number);
        at += number % piece == 0 ? apart + seconds{400} : apart;
    }
    int live = 101;
    for (Instant spoken = at_min(600) + live_from + milliseconds{3}; spoken < at + minutes{10};
         spoken += minutes{3})
        readings.emplace_back(spoken, live++);
    std::ranges::sort(readings);
    LedgerWorld world;
    for (const auto& [arrival, number] : readings) {
        world.arrive(arrival, fmt::format("{{\"count\":{}{}{}}}", 1000 + ticks * number,
                                          form.seq ? fmt::format(",\"seq\":{}", number) : "",
                                          form.boot ? ",\"boot\":7" : ""));
    }
    world.run_clock(at + minutes{30});
    CHECK(total(world) == ticks * (live - 1));
}

TEST_CASE("a node that always sends faster than its cadence was taken for one that catches up") {
    LedgerWorld world;
    int at_s = 0;
    std::uint64_t count = 1000;
    const auto hear = [&](std::uint64_t counted) {
        Message message;
        message.arrived_at = at_min(0) + seconds{at_s};
        message.topic = "nodes/house";
        message.payload = fmt::format(R"({{"count":{}}})", counted);
        world.take({{std::move(message)}});
    };
    const auto speak = [&](int times) {
        for (int n = 0; n < times; ++n, at_s += 30)
            hear(++count);
    };
    speak(20);
    at_s += 10 * 3600;
    speak(20);
    world.run_clock(at_min(0) + seconds{at_s + 600});
    const auto entries = world.entries();
    CHECK(total(world) == 39);
    // One cadence after the silence it is believed as before.
    CHECK_FALSE(entries.back().time_estimated);
    hear(count + 900);
    CHECK(total(world) == 39);
}

TEST_CASE("readings of a node that sends faster than its cadence do not wait for ever after a silence") {
    LedgerWorld world;
    Node node(world, {});
    node.speak(at_min(600));
    for (int n = 0; n < 30; ++n) {
        node.run(5);
        node.queue();
    }
    // Every 30 seconds, after a silence of 20 minutes.
    for (std::size_t n = 0; n < 30; ++n)
        node.send(at_min(620) + seconds{30} * static_cast<int>(n), node.queued()[n]);
    // All are booked, and the newest of them at the times they were seen.
    const auto entries = world.entries();
    CHECK(total(world) == 150);
    CHECK_FALSE(entries.back().time_estimated);
    CHECK(entries.back().span.to == at_min(634) + seconds{30});
}

TEST_CASE("readings of a queue in clusters were booked as presets if they had no numbers") {
    for (const bool tells_numbers : {false, true}) {
        LedgerWorld world;
        Node node(world, {tells_numbers, tells_numbers});
        node.speak(at_min(600));
        node.speak(at_min(603));
        // Five hours later three readings arrive within three seconds, and three more every eighty seconds.
        for (int cluster = 0; cluster < 30; ++cluster) {
            for (int n = 0; n < 3; ++n) {
                node.run(100);
                node.speak(at_min(900) + seconds{80 * cluster + n});
            }
        }
        world.run_clock(at_min(960));
        CHECK(total(world) == 30 * 3 * 100);
        CHECK(none_refused(world));
    }
}

TEST_CASE("water that ran back in a queue was taken for a counter that had wrapped") {
    MeterSettings meter = house();
    meter.counter_bits = 16;
    meter.checkpoint_ticks = 1;
    LedgerWorld world({meter});
    const auto send = [&](Instant at, int seq, int count) {
        world.arrive(at, fmt::format(R"({{"count":{},"boot":1,"seq":{}}})", count, seq));
    };
    send(at_min(0), 1, 170);
    send(at_min(3), 2, 172);
    // After a day's silence, long enough for 65 534 ticks. The numbers show that no message is missing.
    for (int n = 0; n < 10; ++n)
        send(at_min(24 * 60) + seconds{12 * n}, 3 + n, n < 4 ? 175 : 173);
    world.run_clock(at_min(24 * 60 + 30));
    CHECK(ticks_in(world) == 3);
    CHECK(none_refused(world));
}
