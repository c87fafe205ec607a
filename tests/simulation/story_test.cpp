#include "simulation/story.hpp"

#include <rapidcheck/catch.h>

#include <catch2/catch.hpp>
#include <chrono>
#include <nlohmann/json.hpp>
#include <numeric>

#include "simulation/chance.hpp"
#include "simulation/household.hpp"

using namespace tickledger;
using namespace tickledger::simulation;
using nlohmann::json;
using std::chrono::hours;
using std::chrono::minutes;
using std::chrono::seconds;

namespace {

const Instant start = instant_of(1'772'323'200'000'000);  // 2026-03-01T00:00:00Z
// A node of the usual cadence then sends its first message at the start.
const Instant before_start = start - NodeSettings{}.cadence;

std::vector<Instant> water(std::uint64_t seed, int days) {
    std::vector<Draw> draws;
    for (int day = 0; day < days; ++day) {
        const auto some = Household{}.day(seed, day, start + day * hours{24});
        draws.insert(draws.end(), some.begin(), some.end());
    }
    return ticks_of(draws, 1'000'000);
}

// Random spans within the days, in order and without overlap.
std::vector<Span> some_spans(Chance& chance, int days) {
    std::vector<Span> spans;
    for (Instant t = start + chance.moment(hours{30}); t < start + days * hours{24};
         t += chance.moment(hours{40})) {
        const Instant to = t + minutes{1} + chance.moment(hours{2});
        spans.push_back({t, to});
        t = to + seconds{1};
    }
    return spans;
}

Story some_story(Chance& chance, int days) {
    Story story;
    story.power_cuts = some_spans(chance, days);
    story.silences = some_spans(chance, days);
    story.losses = some_spans(chance, days);
    story.delays = some_spans(chance, days);
    story.overtaken = some_spans(chance, days);
    for (const Span& span : some_spans(chance, days))
        story.redeliveries.push_back({span.from, span.length()});
    return story;
}

NodeSettings some_node(Chance& chance) {
    NodeSettings settings;
    settings.message = static_cast<MessageForm>(chance.below(3));
    settings.senml_records = 1 + chance.below(4);
    settings.checkpoint_ticks = chance.below(4) * chance.below(50);
    settings.tells_saved = chance.happens(0.5);
    settings.tells_uptime = chance.happens(0.5);
    settings.tells_boot = chance.happens(0.7);
    return settings;
}

std::uint64_t told_ticks(const std::vector<Delivery>& deliveries) {
    return std::accumulate(deliveries.begin(), deliveries.end(), std::uint64_t{0},
                           [](std::uint64_t sum, const Delivery& one) { return sum + one.told_ticks; });
}

}  // namespace

TEST_CASE("every true tick is told once, unseen, or not told yet") {
    rc::prop("for any node and any story", [](std::uint64_t seed) {
        Chance chance(seed);
        Node node(some_node(chance), start);
        const Story story = some_story(chance, 4);
        const Span span{start, start + hours{96}};
        const auto ticks = water(seed, 4);
        const auto deliveries = run(node, ticks, story, span);
        const auto true_ticks =
            std::count_if(ticks.begin(), ticks.end(), [&](Instant t) { return t <= span.to; });

        std::vector<Instant> all = node.truth().told;
        RC_ASSERT(std::is_sorted(all.begin(), all.end()));
        all.insert(all.end(), node.truth().unseen.begin(), node.truth().unseen.end());
        RC_ASSERT(all.size() + node.pending_ticks() == static_cast<std::size_t>(true_ticks));
        std::sort(all.begin(), all.end());
        RC_ASSERT(std::includes(ticks.begin(), ticks.end(), all.begin(), all.end()));
        RC_ASSERT(told_ticks(deliveries) == node.truth().told.size());
    });
}

TEST_CASE("the same seed gives the same messages, byte for byte") {
    const auto tell = [](std::uint64_t seed) {
        Chance chance(seed);
        Node node(some_node(chance), start);
        std::string all;
        for (const auto& one : run(node, water(seed, 3), some_story(chance, 3), {start, start + hours{72}})) {
            all += one.message.payload + std::to_string(microseconds_of(one.message.arrived_at)) + "\n";
        }
        return all;
    };
    CHECK(tell(1) == tell(1));
    CHECK(tell(1) != tell(2));
}

TEST_CASE("a counter falls only at a restart") {
    rc::prop("for any story without a preset", [](std::uint64_t seed) {
        Chance chance(seed);
        NodeSettings settings;
        settings.checkpoint_ticks = chance.below(3) * 10;
        Node node(settings, start);
        Story story;
        story.power_cuts = some_spans(chance, 4);
        story.silences = some_spans(chance, 4);
        std::int64_t count = 0;
        std::int64_t boot = 1;
        for (const auto& one : run(node, water(seed, 4), story, {start, start + hours{96}})) {
            const auto message = json::parse(one.message.payload);
            RC_ASSERT(message["boot"] >= boot);
            if (message["boot"] == boot) RC_ASSERT(message["count"] >= count);
            boot = message["boot"];
            count = message["count"];
        }
        // A cut within a silence still changes the boot.
        RC_ASSERT(node.boot() == 1 + story.power_cuts.size() - (node.is_on() ? 0U : 1U));
    });
}

TEST_CASE("without accidents, every tick is told on the day on which it ran") {
    Node node({}, start);
    const auto ticks = water(3, 5);
    const auto deliveries = run(node, ticks, {}, {before_start, start + hours{120}});
    CHECK(deliveries.size() == 120 * 20 + 1);
    CHECK(node.truth().unseen.empty());
    for (int day = 0; day < 5; ++day) {
        const Span span{start + day * hours{24}, start + (day + 1) * hours{24}};
        const auto true_ticks = std::count_if(ticks.begin(), ticks.end(),
                                              [&](Instant t) { return t > span.from && t <= span.to; });
        CHECK(true_ticks > 0);
        CHECK(node.truth().told_ticks_in(span) == true_ticks);
    }
}

TEST_CASE("a story that is run piece by piece gives the same messages") {
    const auto ticks = water(9, 2);
    Story story;
    story.power_cuts = {{start + hours{10}, start + hours{11}}, {start + hours{30}, start + hours{31}}};
    story.redeliveries = {{start + hours{5}, minutes{1}}, {start + hours{25}, minutes{1}}};
    Node whole({}, start);
    Node pieces({}, start);
    auto messages = run(pieces, ticks, story, {start, start + hours{20}});
    const auto rest = run(pieces, ticks, story, {start + hours{20}, start + hours{48}});
    messages.insert(messages.end(), rest.begin(), rest.end());
    const auto at_once = run(whole, ticks, story, {start, start + hours{48}});
    REQUIRE(messages.size() == at_once.size());
    for (std::size_t i = 0; i < messages.size(); ++i) {
        CHECK(messages[i].message.payload == at_once[i].message.payload);
    }
}

TEST_CASE("a redelivered message arrives again and reveals nothing new") {
    Node node({}, start);
    Story story;
    story.redeliveries = {{start + minutes{5}, minutes{4}}};
    const auto deliveries = run(node, {}, story, {before_start, start + minutes{12}});
    REQUIRE(deliveries.size() == 6);
    CHECK(deliveries[4].message.payload == deliveries[2].message.payload);
    CHECK(deliveries[4].message.arrived_at == deliveries[2].message.arrived_at + minutes{4});
    CHECK(deliveries[4].meaning == Meaning::nothing);
}

TEST_CASE("delayed messages arrive together, and an overtaken one after its successors") {
    Node node({}, start);
    Story story;
    story.delays = {{start + minutes{1}, start + minutes{10}}};
    story.overtaken = {{start + minutes{16}, start + minutes{24}}};
    const auto deliveries = run(node, {}, story, {before_start, start + minutes{30}});
    REQUIRE(deliveries.size() == 11);
    const auto sent_at = [&](std::size_t i) { return deliveries[i].sent_at; };
    for (std::size_t i = 1; i <= 3; ++i) {
        CHECK(sent_at(i) == start + minutes{3} * i);
        CHECK(deliveries[i].message.arrived_at == start + minutes{10} + node.settings().journey);
    }
    // Sent at minutes 18, 21 and 24; the first one arrives last.
    CHECK(sent_at(6) == start + minutes{21});
    CHECK(sent_at(7) == start + minutes{24});
    CHECK(sent_at(8) == start + minutes{18});
}

TEST_CASE("four meters each send one message every three minutes for two weeks") {
    std::size_t messages = 0;
    for (std::uint64_t meter = 0; meter < 4; ++meter) {
        Node node({}, start);
        messages += run(node, water(meter, 14), {}, {before_start, start + hours{14 * 24}}).size();
    }
    CHECK(messages == 4 * (14 * 480 + 1));
}
