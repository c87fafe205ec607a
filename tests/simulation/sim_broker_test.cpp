// The model of a broker behaves as brokers do.
#include "simulation/sim_broker.hpp"

#include <catch2/catch.hpp>

using namespace tickledger::simulation;

namespace {

std::vector<Letter> backlog(SimBroker& broker) {
    std::vector<Letter> letters;
    while (const auto letter = broker.next()) {
        letters.push_back(*letter);
        broker.acknowledge();
    }
    return letters;
}

}  // namespace

TEST_CASE("the simulated broker keeps messages only for a session that it knows") {
    SimBroker broker({}, 1);
    broker.publish(1, 0, false);
    CHECK_FALSE(broker.connect());
    CHECK(backlog(broker).empty());
    broker.disconnect(0);
    broker.publish(2, 0, false);
    CHECK(broker.connect());
    CHECK(backlog(broker).size() == 1);
}

TEST_CASE("the simulated broker redelivers messages whose acknowledgement did not arrive") {
    SimBroker broker({}, 1);
    (void)broker.connect();
    for (std::uint32_t letter = 1; letter <= 5; ++letter)
        broker.publish(letter, 0, false);
    for (int i = 0; i < 3; ++i)
        broker.acknowledge();
    broker.disconnect(2);
    CHECK(broker.connect());
    const auto again = backlog(broker);
    REQUIRE(again.size() == 4);
    CHECK(again[0].letter == 2);
    CHECK(again[0].redelivered);
    CHECK(again[1].letter == 3);
    CHECK(again[3].letter == 5);
}

TEST_CASE("the simulated broker keeps the order within a topic, but not always across topics") {
    bool was_shuffled = false;
    for (std::uint64_t seed = 1; seed <= 20; ++seed) {
        SimBroker broker({}, seed);
        (void)broker.connect();
        broker.disconnect(0);
        for (std::uint32_t letter = 0; letter < 20; ++letter)
            broker.publish(letter, letter % 3, false);
        (void)broker.connect();
        std::map<std::uint32_t, std::uint32_t> last;
        std::uint32_t before = 0;
        for (const Letter& letter : backlog(broker)) {
            CHECK((!last.contains(letter.topic) || last[letter.topic] < letter.letter));
            last[letter.topic] = letter.letter;
            was_shuffled = was_shuffled || letter.letter < before;
            before = letter.letter;
        }
    }
    CHECK(was_shuffled);
}

TEST_CASE("the simulated broker sends retained copies, keeps its data over SIGTERM and loses it at SIGKILL") {
    SimBroker broker({}, 1);
    (void)broker.connect();
    broker.publish(1, 0, true);
    (void)backlog(broker);
    broker.disconnect(0);
    broker.publish(2, 1, false);
    broker.stop();
    broker.start();
    CHECK(broker.connect());
    CHECK(backlog(broker).size() == 2);
    broker.disconnect(0);
    broker.publish(3, 1, false);
    broker.kill();
    broker.start();
    CHECK_FALSE(broker.connect());
    CHECK(backlog(broker).empty());
}
