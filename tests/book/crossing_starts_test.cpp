// Boots whose messages arrive among those of the boot before or after.
#include <fmt/format.h>

#include <algorithm>
#include <string>
#include <utility>
#include <vector>

#include "ledger_world.hpp"
#include "node_words.hpp"

using namespace tickledger;
using namespace tickledger::test;

TEST_CASE("a boot whose queue arrived after the next boot's first message was booked twice") {
    LedgerWorld world({saving_house(10)});
    world.hear(at_min(600), saved_word(600, 2, 296, 3250, 3286));
    world.hear(at_min(603), saved_word(603, 2, 297, 3250, 3287));
    world.hear(at_min(900), saved_word(900, 4, 1, 3360, 3360));
    world.hear(at_min(901), saved_word(800, 3, 1, 3280, 3286));
    world.hear(at_min(902), saved_word(803, 3, 2, 3280, 3294));
    world.hear(at_min(903), saved_word(903, 4, 2, 3360, 3365));
    world.hear(at_min(906), saved_word(906, 4, 3, 3360, 3366));
    // 1, then 73 up to the count that boot 4 restored, then 5 and 1.
    CHECK(ticks_in(world) == 80);
    SECTION("a wrong clock after a restart may show any other time") {
        world.hear(at_min(1000), saved_word(500, 5, 1, 3370, 3372));
        world.hear(at_min(1003), saved_word(503, 5, 2, 3370, 3374));
        CHECK(ticks_in(world) == 80 + 6 + 2);
    }
}

TEST_CASE("a boot that sent only late messages was taken for a new one when they arrived again") {
    MeterSettings meter = house();
    meter.message = MessageForm::pulses;
    LedgerWorld world({meter});
    const auto told = [](int minute, int boot, int seq, int pulses) {
        return fmt::format(R"({{"pulses":{},"boot":{},"seq":{},"time":"{}"}})", pulses, boot, seq,
                           format_utc(at_min(minute)));
    };
    world.hear(at_min(600), told(600, 2, 296, 1));
    world.hear(at_min(603), told(603, 2, 297, 1));
    world.hear(at_min(900), told(900, 4, 1, 2));
    world.hear(at_min(901), told(800, 3, 1, 5));
    world.hear(at_min(902), told(803, 3, 2, 0));
    world.hear(at_min(903), told(903, 4, 2, 2));
    const auto before = world.entries();
    Message again;
    again.arrived_at = at_min(906);
    again.topic = "nodes/house";
    again.payload = told(803, 3, 2, 0);
    world.take({{again, true, 0}});
    CHECK(world.entries() == before);
}

TEST_CASE("a boot was left for the one before it when its second message was lost and the queue went on") {
    LedgerWorld world({saving_house(10)});
    world.hear(at_min(597), numbered(1, 846, 952));
    world.hear(at_min(600), numbered(1, 847, 952));
    world.hear(at_min(603), numbered(2, 1, 970));
    // The node's queue from before this boot, twelve readings in the time of one.
    for (int n = 0; n < 40; ++n) {
        world.arrive(at_min(603) + std::chrono::seconds{15 * (n + 1)}, numbered(1, 848 + n, 952 + n / 10));
    }
    world.hear(at_min(615), numbered(2, 5, 974));
    world.hear(at_min(618), numbered(2, 6, 976));
    world.hear(at_min(621), numbered(2, 7, 979));
    CHECK(ticks_in(world) == 18 + 9);
}

TEST_CASE("a boot was left for the one before it after that one's queue had paused") {
    LedgerWorld world({saving_house(10)});
    world.hear(at_min(597), numbered(2, 2097, 850));
    world.hear(at_min(600), numbered(2, 2098, 859));
    // The queue of this boot pauses. The next boot is heard once and loses power.
    world.hear(at_min(603), numbered(3, 102, 966));
    for (int n = 0; n < 20; ++n) {
        world.arrive(at_min(645) + std::chrono::seconds{n}, numbered(2, 2099 + n, 860 + 5 * n));
    }
    world.hear(at_min(648), numbered(4, 1, 960));
    world.hear(at_min(651), numbered(4, 2, 963));
    CHECK(ticks_in(world) == 9 + 107 + 3);
}

TEST_CASE(
    "a boot whose own queue arrived beside its live messages was left for the slow queue of the one before") {
    LedgerWorld world({saving_house(1)});
    std::vector<std::pair<Instant, std::string>> messages;
    // The queue of boot 3 arrives more slowly than the node's cadence.
    for (int n = 0; n < 20; ++n)
        messages.emplace_back(at_min(600 + 4 * n), numbered(3, 1 + n, n < 18 ? 390 : 393));
    // The queue of boot 4 arrives fast, from its number 354 on, with live messages among it.
    for (int n = 0; n < 60; ++n)
        messages.emplace_back(at_min(621) + std::chrono::seconds{36 * n}, numbered(4, 354 + n, 488));
    messages.emplace_back(at_min(622), numbered(4, 471, 526));
    messages.emplace_back(at_min(625), numbered(4, 472, 526));
    std::sort(messages.begin(), messages.end());
    for (const auto& [at, payload] : messages)
        world.hear(at, payload);
    world.hear(at_min(900), numbered(5, 1, 659));
    world.hear(at_min(903), numbered(5, 2, 659));
    CHECK(ticks_in(world) == 659 - 390);
}

TEST_CASE("two messages in a row from a slow queue ended the boot that was running beside it") {
    // The queue of a boot that was never heard before arrives a little faster than the node's cadence.
    LedgerWorld world({saving_house(1)});
    std::vector<std::pair<Instant, std::string>> messages;
    for (int n = 0; n < 40; ++n)
        messages.emplace_back(at_min(600 + 3 * n), numbered(4, 1 + n, 100'000 + n));
    for (int n = 0; n < 60; ++n)
        messages.emplace_back(at_min(601) + std::chrono::seconds{168 * n}, numbered(3, 1 + n, 500 + n));
    std::sort(messages.begin(), messages.end());
    for (const auto& [at, payload] : messages) {
        world.hear(at, payload);
        if (at == at_min(600 + 3 * 39)) CHECK(ticks_in(world) == 39);
    }
    // Boot 3 was the running one after all, with a count that was set by hand: boot 4 falls silent.
    CHECK(ticks_in(world) > 39 + 5);
}

TEST_CASE("two strays of a boot are its queue, so two of its messages in a row begin nothing") {
    LedgerWorld world({saving_house(1)});
    world.hear(at_min(600), numbered(4, 1, 100'000));
    world.hear(at_min(603), numbered(4, 2, 100'001));
    world.hear(at_min(604), numbered(3, 1, 500));
    world.hear(at_min(606), numbered(4, 3, 100'002));
    world.hear(at_min(607), numbered(3, 2, 501));
    world.hear(at_min(609), numbered(4, 4, 100'003));
    world.hear(at_min(610), numbered(3, 3, 502));
    world.hear(at_min(611), numbered(3, 4, 503));
    world.hear(at_min(612), numbered(4, 5, 100'004));
    CHECK(ticks_in(world) == 4);
    for (const Entry& entry : world.entries())
        CHECK(entry.kind == EntryKind::measured);
}

TEST_CASE("a boot whose queue arrived after the next two had begun was booked as if it followed them") {
    LedgerWorld world({saving_house(10)});
    world.hear(at_min(600), saved_word(600, 1, 1, 5630, 5639));
    world.hear(at_min(900), saved_word(900, 3, 1, 5640, 5652));
    world.hear(at_min(903), saved_word(903, 3, 2, 5640, 5658));
    world.hear(at_min(960), saved_word(960, 4, 1, 5690, 5692));
    world.hear(at_min(963), saved_word(963, 4, 2, 5690, 5696));
    const auto before = ticks_in(world);
    for (int n = 0; n < 8; ++n)
        world.hear(at_min(1100 + 2 * n), saved_word(700 + 3 * n, 2, 1 + n, 5640, 5640 + n));
    CHECK(ticks_in(world) == before);
    world.hear(at_min(1130), saved_word(1130, 4, 3, 5690, 5699));
    CHECK(ticks_in(world) == before + 3);
}

TEST_CASE("ticks of a boot were lost when its first messages were strays beside a slow queue") {
    // The count is set by hand at the end of boot 1, whose queue is still arriving when boot 2 sends.
    LedgerWorld world({saving_house(10)});
    world.hear(at_min(600), saved_word(500, 1, 1, 30, 38));
    std::vector<std::pair<Instant, std::string>> messages;
    const auto word = [](int minute, int boot, int seq, int count) {
        return fmt::format(R"({{"boot":{},"seq":{},"count":{},"time":"{}"}})", boot, seq, count,
                           format_utc(at_min(minute)));
    };
    for (int n = 0; n < 20; ++n)
        messages.emplace_back(at_min(601) + std::chrono::seconds{40 * n}, word(501 + n, 1, 2 + n, 38));
    for (int n = 0; n < 4; ++n)
        messages.emplace_back(at_min(603 + 3 * n), word(603 + 3 * n, 2, 1 + n, 900'810));
    for (int n = 0; n < 3; ++n)
        messages.emplace_back(at_min(616) + std::chrono::seconds{n}, word(521 + n, 1, 22 + n, 900'814));
    std::sort(messages.begin(), messages.end());
    for (const auto& [at, payload] : messages)
        world.hear(at, payload);
    // The messages in between are lost.
    world.hear(at_min(660), word(660, 2, 21, 900'847));
    world.hear(at_min(663), word(663, 2, 22, 900'851));
    CHECK(ticks_in(world) == 41);
}
