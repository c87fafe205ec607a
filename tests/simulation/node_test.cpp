#include "simulation/node.hpp"

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

using namespace tickledger;
using namespace tickledger::simulation;
using nlohmann::json;
using std::chrono::minutes;
using std::chrono::seconds;

namespace {

const Instant start = instant_of(1'772'323'200'000'000);  // 2026-03-01T00:00:00Z
Instant at(int minute) {
    return start + minutes{minute};
}

void run_water(Node& node, int ticks) {
    for (int i = 0; i < ticks; ++i)
        node.tick(start);
}

json said(const std::optional<Delivery>& delivery) {
    REQUIRE(delivery);
    return json::parse(delivery->message.payload);
}

}  // namespace

TEST_CASE("a counter message has the fields that the settings name") {
    NodeSettings settings;
    settings.tells_saved = true;
    settings.tells_uptime = true;
    settings.first_count = 1000;
    Node node(settings, start);
    run_water(node, 5);
    const auto message = said(node.speak(at(3)));
    CHECK(message == json{{"count", 1005},
                          {"boot", 1},
                          {"seq", 1},
                          {"saved", 0},
                          {"uptime", 180},
                          {"time", "2026-03-01T00:03:00.000Z"}});
    settings = NodeSettings{};
    settings.tells_boot = settings.tells_seq = settings.tells_time = false;
    CHECK(said(Node(settings, start).speak(at(3))) == json{{"count", 0}});
}

TEST_CASE("the first message reveals no ticks, and the next one reveals those since") {
    Node node({}, start);
    run_water(node, 5);
    CHECK(node.speak(at(3))->meaning == Meaning::first);
    run_water(node, 7);
    const auto second = node.speak(at(6));
    CHECK(second->meaning == Meaning::measured);
    CHECK(second->told_ticks == 7);
    CHECK(second->true_ticks == 12);
    CHECK(node.truth().unseen.size() == 5);
    CHECK(node.truth().told.size() == 7);
}

TEST_CASE("a power cut loses the ticks since the checkpoint and those that run while the node is off") {
    NodeSettings settings;
    settings.checkpoint_ticks = 10;
    settings.tells_saved = true;
    Node node(settings, start);
    (void)node.speak(at(0));
    run_water(node, 27);
    (void)node.speak(at(3));
    run_water(node, 2);
    node.lose_power();
    run_water(node, 4);
    CHECK_FALSE(node.speak(at(6)));
    node.regain_power(at(7));
    run_water(node, 3);
    const auto after = node.speak(at(9));
    CHECK(said(after)["count"] == 23);
    CHECK(said(after)["saved"] == 20);
    CHECK(said(after)["boot"] == 2);
    CHECK(after->meaning == Meaning::restart);
    CHECK(after->told_ticks == 3);
    CHECK(node.truth().told.size() == 30);
    CHECK(node.truth().unseen.size() == 6);
}

TEST_CASE("a checkpoint after the last message reveals the ticks up to it") {
    NodeSettings settings;
    settings.checkpoint_ticks = 10;
    settings.tells_saved = true;
    Node node(settings, start);
    (void)node.speak(at(0));
    run_water(node, 7);
    (void)node.speak(at(3));
    run_water(node, 8);
    node.lose_power();
    node.regain_power(at(5));
    run_water(node, 1);
    const auto after = node.speak(at(6));
    CHECK(said(after)["count"] == 11);
    CHECK(after->told_ticks == 4);  // 8, 9 and 10 before the cut, 11 after it.
    CHECK(node.truth().unseen.size() == 5);
}

TEST_CASE("a node that saves every tick loses only the ticks that run while it is off") {
    NodeSettings settings;
    settings.checkpoint_ticks = 1;
    Node node(settings, start);
    (void)node.speak(at(0));
    run_water(node, 27);
    node.lose_power();
    run_water(node, 4);
    node.regain_power(at(7));
    run_water(node, 3);
    CHECK(node.speak(at(9))->told_ticks == 30);
    CHECK(node.truth().unseen.size() == 4);
}

TEST_CASE("a node that saves nothing restarts from 0, and its whole count is told") {
    Node node({}, start);
    (void)node.speak(at(0));
    run_water(node, 100);
    (void)node.speak(at(3));
    node.lose_power();
    node.regain_power(at(5));
    run_water(node, 4);
    const auto after = node.speak(at(6));
    CHECK(said(after)["count"] == 4);
    CHECK(after->told_ticks == 4);
}

TEST_CASE("a counter wraps and loses nothing") {
    NodeSettings settings;
    settings.counter_bits = 8;
    settings.first_count = 250;
    Node node(settings, start);
    (void)node.speak(at(0));
    run_water(node, 10);
    const auto after = node.speak(at(3));
    CHECK(said(after)["count"] == 4);
    CHECK(after->meaning == Meaning::measured);
    CHECK(after->told_ticks == 10);
}

TEST_CASE("a preset by hand reveals no ticks, whatever ran before it") {
    Node node({}, start);
    (void)node.speak(at(0));
    run_water(node, 10);
    node.preset(500'000);
    const auto after = node.speak(at(3));
    CHECK(after->meaning == Meaning::preset);
    CHECK(after->told_ticks == 0);
    run_water(node, 2);
    CHECK(node.speak(at(6))->told_ticks == 2);
    CHECK(node.truth().unseen.size() == 10);
}

TEST_CASE("the next count makes up for a lost one, but lost pulses stay lost") {
    NodeSettings settings;
    Node counter(settings, start);
    settings.message = MessageForm::pulses;
    Node pulses(settings, start);
    for (Node* node : {&counter, &pulses}) {
        (void)node->speak(at(0));
        run_water(*node, 10);
        (void)node->speak(at(3), Fate::lost);
        run_water(*node, 2);
    }
    CHECK(counter.speak(at(6))->told_ticks == 12);
    const auto after = pulses.speak(at(6));
    CHECK(said(after)["pulses"] == 2);
    CHECK(said(after)["seq"] == 3);
    CHECK(pulses.truth().unseen.size() == 10);
}

TEST_CASE("overtaken pulses are told, but an overtaken count reveals nothing new") {
    NodeSettings settings;
    Node counter(settings, start);
    (void)counter.speak(at(0));
    run_water(counter, 10);
    CHECK(counter.speak(at(3), Fate::overtaken)->told_ticks == 0);
    CHECK(counter.speak(at(6))->told_ticks == 10);
    settings.message = MessageForm::pulses;
    Node pulses(settings, start);
    run_water(pulses, 10);
    CHECK(pulses.speak(at(3), Fate::overtaken)->told_ticks == 10);
}

TEST_CASE("a SenML pack holds readings with times relative to when it was sent") {
    NodeSettings settings;
    settings.message = MessageForm::senml;
    settings.senml_records = 3;
    settings.tells_time = false;
    settings.senml_name = "flat-1";
    Node node(settings, start);
    CHECK_FALSE(node.speak(at(0)));
    run_water(node, 4);
    CHECK_FALSE(node.speak(at(3)));
    run_water(node, 2);
    const auto pack = node.speak(at(6));
    // RFC 8428 section 4.5.3: times below 2^28 are relative to now. Base fields apply to later records too.
    CHECK(said(pack) == json::parse(R"([{"bn":"flat-1","bu":"count","t":-360.0,"v":0},
                                        {"t":-180.0,"v":4},{"t":0.0,"v":6}])"));
    CHECK(pack->told_ticks == 6);
}

TEST_CASE("a wrong node clock changes only the time in the message") {
    Node node({}, start);
    node.set_clock_error(-minutes{90});
    const auto message = node.speak(at(0));
    CHECK(said(message)["time"] == "2026-02-28T22:30:00.000Z");
    CHECK(message->sent_at == start);
    CHECK(message->message.arrived_at == start + node.settings().journey);
}
