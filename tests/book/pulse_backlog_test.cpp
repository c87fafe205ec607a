// Backlogs of pulses: messages that waited at the node or arrived late, also across boots.
#include <fmt/format.h>

#include "backlog_node.hpp"

using namespace tickledger;
using namespace tickledger::test;
using std::chrono::milliseconds;
using std::chrono::minutes;
using std::chrono::seconds;

namespace {

MeterSettings pulse_house() {
    MeterSettings meter = house();
    meter.message = MessageForm::pulses;
    return meter;
}

std::string told(int boot, int seq, int pulses) {
    return fmt::format(R"({{"pulses":{},"boot":{},"seq":{}}})", pulses, boot, seq);
}

std::string told(int boot, int seq, int pulses, Instant time) {
    return fmt::format(R"({{"pulses":{},"boot":{},"seq":{},"time":"{}"}})", pulses, boot, seq,
                       format_utc(time));
}

}  // namespace

TEST_CASE("pulses that waited at the node were refused as strays") {
    for (const Form form : forms) {
        LedgerWorld world({pulse_house()});
        const auto pulses = [&](int n, int ticks) {
            std::string text = "{\"pulses\":" + std::to_string(ticks);
            if (form.boot) text += ",\"boot\":7";
            if (form.seq) text += ",\"seq\":" + std::to_string(n);
            return text + "}";
        };
        Node node(world, form);
        node.send(at_min(600), pulses(0, 1));
        node.send(at_min(603), pulses(1, 2));
        for (int n = 0; n < 14; ++n)
            node.send(at_min(645) + milliseconds{100} * n, pulses(2 + n, 43));
        world.run_clock(at_min(650));
        CHECK(total(world) == 3 + 14 * 43);
        CHECK(none_refused(world));
    }
}

TEST_CASE("pulses of a long queue were refused as strays once sending it had taken a whole cadence") {
    LedgerWorld world({pulse_house()});
    const auto send = [&](Instant at, int seq, int pulses) { world.arrive(at, told(1, seq, pulses)); };
    for (int seq = 1; seq <= 3; ++seq)
        send(at_min(3 * seq), seq, 1);
    // Ten hours of messages, one for every three minutes, sent in ten minutes.
    for (int n = 0; n < 200; ++n)
        send(at_min(610) + seconds{3} * n, 4 + n, 30);
    send(at_min(625), 204, 2);
    world.run_clock(at_min(640));
    CHECK(total(world) == 3 + 200 * 30 + 2);
    CHECK(none_refused(world));
}

TEST_CASE("pulses of a boot were refused after the queue of an earlier boot had arrived among them") {
    LedgerWorld world({pulse_house()});
    std::int64_t sent = 0;
    const auto send = [&](Instant at, int boot, int seq, int pulses) {
        world.arrive(at, told(boot, seq, pulses));
        sent += pulses;
    };
    for (int seq = 1; seq <= 3; ++seq)
        send(at_min(3 * seq), 1, seq, 1);
    // Boot 2 was not heard before boot 3. Its queue arrives between the messages of boot 3.
    for (int n = 1; n <= 10; ++n) {
        send(at_min(60 + 3 * n), 3, n, 20);
        for (int queued = 1; queued <= 2; ++queued)
            send(at_min(60 + 3 * n) + seconds{30 * queued}, 2, 2 * n + queued - 2, 40);
    }
    for (int n = 11; n <= 15; ++n)
        send(at_min(60 + 3 * n), 3, n, 20);
    world.run_clock(at_min(120));
    CHECK(ticks_in(world) == sent);
    CHECK(none_refused(world));
    const std::int64_t once = sent;
    for (int n = 1; n <= 10; ++n) {
        send(at_min(120 + n), 3, n, 20);
        send(at_min(120 + n) + seconds{1}, 2, n, 40);
    }
    world.run_clock(at_min(200));
    CHECK(ticks_in(world) == once);
    CHECK(none_refused(world));
}

TEST_CASE("pulses that arrived late across a restart were refused although they had a time") {
    LedgerWorld world({pulse_house()});
    const auto send = [&](Instant at, int boot, int seq, int pulses, Instant time) {
        world.arrive(at, told(boot, seq, pulses, time));
    };
    const auto now = [&](int minute, int boot, int seq, int pulses) {
        send(at_min(minute), boot, seq, pulses, at_min(minute));
    };
    for (int seq = 1; seq <= 3; ++seq)
        now(3 * seq, 1, seq, 1);
    now(63, 2, 2, 5);
    const auto unseen = [&] {
        std::uint64_t last = 0;
        for (const Entry& entry : world.entries())
            last = entry.kind == EntryKind::restart ? entry.unseen_max.value_or(0) : last;
        return last;
    };
    const std::uint64_t unseen_before = unseen();
    for (int round = 0; round < 2; ++round) {
        // The last messages of boot 1, and the first one of boot 2.
        send(at_min(64), 1, 4, 10, at_min(12));
        send(at_min(65), 1, 5, 20, at_min(15));
        send(at_min(65), 2, 1, 7, at_min(60));
    }
    now(66, 2, 3, 5);
    world.run_clock(at_min(90));
    CHECK(ticks_in(world) == 3 + 5 + 10 + 20 + 7 + 5);
    CHECK(unseen() == unseen_before - 37);
    CHECK(world.row(Step::hour, at_min(0))->ticks >= 33);
    CHECK(none_refused(world));
}

TEST_CASE(
    "a number missing among late pulses of an earlier boot is a gap, and its message can still arrive") {
    LedgerWorld world({pulse_house()});
    const auto send = [&](int minute, int boot, int seq, int pulses) {
        world.arrive(at_min(minute), told(boot, seq, pulses));
    };
    send(600, 1, 1, 1);
    send(603, 1, 2, 1);
    send(606, 2, 1, 2);
    send(607, 1, 4, 8);
    send(609, 2, 2, 0);
    for (int round = 0; round < 2; ++round)
        send(610, 1, 3, 4);
    send(612, 2, 3, 0);
    world.run_clock(at_min(700));
    CHECK(ticks_in(world) == 2 + 2 + 8 + 4);
    CHECK(none_refused(world));
}

TEST_CASE("pulses of a boot's first message were refused if its second one had overtaken it") {
    LedgerWorld world({pulse_house()});
    const auto send = [&](int minute, int boot, int seq, int pulses) {
        world.arrive(at_min(minute), told(boot, seq, pulses));
    };
    send(600, 1, 1, 1);
    send(603, 1, 2, 1);
    send(606, 2, 5, 3);
    send(609, 2, 6, 0);
    for (int round = 0; round < 2; ++round) {
        send(610, 2, 4, 4);
        send(610, 2, 1, 2);
        send(611, 2, 3, 5);
    }
    send(612, 2, 7, 1);
    world.run_clock(at_min(700));
    CHECK(ticks_in(world) == 2 + 3 + 4 + 2 + 5 + 1);
    CHECK(none_refused(world));
}

TEST_CASE("late pulses for a time that was seen completely, or from before the first message, are refused") {
    LedgerWorld world({pulse_house()});
    world.hear(at_min(600), told(1, 5, 2, at_min(600)));
    world.hear(at_min(603), told(1, 6, 4, at_min(603)));
    const auto before = world.entries();
    world.hear(at_min(604), told(1, 3, 1, at_min(602)));
    world.hear(at_min(605), told(1, 2, 1, at_min(300)));
    CHECK(world.entries() == before);
    CHECK(must(world.view()->refused(world.key("house"), {at_min(0), at_min(700)})).size() == 2);
}

TEST_CASE("pulses of a boot's first messages were refused if its last ones had arrived two weeks before") {
    MeterSettings meter = pulse_house();
    meter.cadence = minutes{15};
    LedgerWorld world({meter});
    world.hear(at_min(0), told(3, 700, 1));
    // Two queues of the next boot, the later one first. 100 of its messages are still to arrive.
    for (int n = 0; n < 1300; ++n)
        world.hear(at_min(2000 + 15 * n), told(4, 101 + n, 2));
    const auto before = ticks_in(world);
    for (int n = 1; n <= 100; ++n)
        world.hear(at_min(22000) + std::chrono::seconds{20 * n}, told(4, n, 3));
    CHECK(ticks_in(world) == before + 300);
    CHECK(must(world.view()->refused(world.key("house"), {at_min(0), at_min(30000)})).empty());
}

TEST_CASE("pulses after a silence were refused between the messages of an earlier boot's queue") {
    LedgerWorld world({pulse_house()});
    const auto send = [&](Instant at, int boot, int seq, int pulses) {
        world.hear(at, told(boot, seq, pulses));
    };
    send(at_min(0), 3, 1, 1);
    send(at_min(3), 4, 1, 1);
    // The earlier boot's queue arrives at the node's cadence, while the new boot sends nothing.
    for (int n = 0; n < 40; ++n)
        send(at_min(6 + 3 * n), 3, 2 + n, 0);
    send(at_min(124), 4, 2, 400);
    send(at_min(126), 3, 42, 0);
    send(at_min(127), 4, 3, 1);
    CHECK(ticks_in(world) == 1 + 1 + 400 + 1);
    CHECK(none_refused(world));
}

TEST_CASE("pulses after a gap were refused if the message before the gap had waited") {
    // The numbers show that the lone message of minute 600 was sent long before it arrived: a hundred
    // messages of three minutes fill the time since its arrival, and the node also counted in silence.
    LedgerWorld world({pulse_house()});
    for (int seq = 1; seq <= 3; ++seq)
        world.arrive(at_min(3 * seq), told(1, seq, 1));
    world.arrive(at_min(600), told(1, 100, 0));
    world.run_clock(at_min(620));
    world.arrive(at_min(900), told(1, 201, 400));
    world.arrive(at_min(903), told(1, 202, 1));
    world.run_clock(at_min(920));
    CHECK(ticks_in(world) == 3 + 400 + 1);
    CHECK(none_refused(world));
}
