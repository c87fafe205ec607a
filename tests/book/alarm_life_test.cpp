// What people do to alarms: through the ledger, restarts of the daemon, the event clock and the broker's
// topic.
#include "book/instruction_documents.hpp"
#include "ledger_world.hpp"

using namespace tickledger;
using namespace tickledger::test;

namespace {

const std::string silent_topic = "meters/house/alarms/node-silent";

/// A bookkeeper whose node falls silent and speaks again, with people at the socket.
class Home {
public:
    explicit Home(bool restarts = false) : restarts_(restarts) {}

    void tell(int minute, std::string order) { take({{Instruction{at_min(minute), std::move(order)}}}); }
    void acknowledge(int minute) { tell(minute, instruction_to_acknowledge("house", alarm())); }
    void unacknowledge(int minute) { tell(minute, instruction_to_unacknowledge("house", alarm())); }
    void shelve(int minute, std::chrono::seconds length) {
        tell(minute, instruction_to_shelve("house", alarm(), length));
    }
    void unshelve(int minute) { tell(minute, instruction_to_unshelve("house", alarm())); }
    void speak(int from, int to) {
        for (int minute = from; minute <= to; minute += 3) {
            Message message;
            message.arrived_at = at_min(minute);
            message.topic = "nodes/house";
            message.payload = "{\"count\":100}";
            take({{std::move(message)}});
        }
    }
    void run_clock(int minute) {
        world.run_clock(at_min(minute));
        if (restarts_) world.open();
    }
    /// Speaks until 600 and is silent from then on: raised at 615.
    void fall_silent() {
        speak(0, 600);
        run_clock(620);
    }

    [[nodiscard]] Alarm alarm() {
        const auto alarms = world.alarms();
        REQUIRE(!alarms.empty());
        return alarms.front().alarm;
    }
    [[nodiscard]] std::string state() { return std::string(name_of(alarm().state)); }
    /// As the broker's subscribers last heard of it.
    [[nodiscard]] std::string published() { return world.published(silent_topic).back().at("state"); }

    LedgerWorld world;

private:
    void take(std::vector<Delivery> deliveries) {
        world.take(std::move(deliveries));
        if (restarts_) world.open();
    }
    bool restarts_;
};

}  // namespace

TEST_CASE("an alarm is acknowledged once, and what clears it then ends it") {
    Home home(GENERATE(false, true));
    home.fall_silent();
    CHECK(home.state() == "unacknowledged");
    home.acknowledge(630);
    CHECK(home.state() == "acknowledged");
    CHECK(home.alarm().acknowledged_at == at_min(630));
    CHECK(home.published() == "acknowledged");
    home.acknowledge(640);
    CHECK(home.alarm().acknowledged_at == at_min(630));
    home.speak(700, 721);
    CHECK(home.state() == "normal");
    CHECK(home.published() == "normal");
    CHECK(home.world.alarms().size() == 1);
}

TEST_CASE("an alarm that was over before anybody saw it waits to be acknowledged") {
    Home home(GENERATE(false, true));
    home.fall_silent();
    home.speak(700, 721);
    CHECK(home.state() == "returned-unacknowledged");
    home.acknowledge(730);
    CHECK(home.state() == "normal");
    CHECK(home.alarm().acknowledged_at == at_min(730));
    CHECK(home.published() == "normal");
}

TEST_CASE("an acknowledgement is taken back, while the alarm lasts and after it") {
    Home home(GENERATE(false, true));
    home.fall_silent();
    home.unacknowledge(625);
    CHECK(home.state() == "unacknowledged");
    home.acknowledge(630);
    home.unacknowledge(640);
    CHECK(home.state() == "unacknowledged");
    CHECK_FALSE(home.alarm().acknowledged_at);
    CHECK(home.published() == "unacknowledged");
    home.acknowledge(650);
    home.speak(700, 721);
    CHECK(home.state() == "normal");
    home.unacknowledge(730);
    CHECK(home.state() == "returned-unacknowledged");
    CHECK(home.published() == "returned-unacknowledged");
    home.unacknowledge(731);
    CHECK(home.state() == "returned-unacknowledged");
    CHECK(home.alarm().raised_at == at_min(615));
    CHECK(home.world.alarms().size() == 1);
}

TEST_CASE("a shelving ends on the event clock: told again where the condition holds") {
    Home home(GENERATE(false, true));
    home.fall_silent();
    home.acknowledge(630);
    home.shelve(640, std::chrono::hours{2});
    CHECK(home.state() == "shelved");
    CHECK(home.alarm().shelved_until == at_min(760));
    CHECK(home.published() == "shelved");
    home.run_clock(759);
    CHECK(home.state() == "shelved");
    home.run_clock(2000);
    CHECK(home.state() == "unacknowledged");
    CHECK_FALSE(home.alarm().shelved_until);
    CHECK_FALSE(home.alarm().acknowledged_at);
    CHECK(home.alarm().raised_at == at_min(615));
    CHECK(home.published() == "unacknowledged");
}

TEST_CASE("a shelving ends on the event clock: normal where the condition is gone") {
    Home home(GENERATE(false, true));
    home.fall_silent();
    home.shelve(640, std::chrono::hours{2});
    home.speak(700, 757);
    CHECK(home.state() == "shelved");
    CHECK(home.alarm().cleared_at);
    home.speak(760, 763);
    CHECK(home.state() == "normal");
    CHECK(home.published() == "normal");
}

TEST_CASE("a kind that is raised anew while shelved stays quiet, and stays one alarm") {
    Home home(GENERATE(false, true));
    home.fall_silent();
    const std::int64_t id = home.alarm().id;
    home.shelve(640, std::chrono::hours{24});
    home.speak(700, 721);
    home.run_clock(800);
    REQUIRE(home.world.alarms().size() == 1);
    CHECK(home.alarm().id == id);
    CHECK(home.state() == "shelved");
    CHECK(home.alarm().raised_at == at_min(721 + 15));
    CHECK_FALSE(home.alarm().cleared_at);
    for (const auto& document : home.world.published(silent_topic))
        CHECK((document.at("state") == "unacknowledged") ==
              (document.at("raised_at") == "2026-03-01T10:15:00+00:00" &&
               document.at("shelved_until").is_null()));
    home.run_clock(640 + 24 * 60);
    CHECK(home.state() == "unacknowledged");
    CHECK(home.published() == "unacknowledged");
    CHECK(home.world.alarms().size() == 1);
}

TEST_CASE("a shelving can be ended before its time, moved, and put on what is over") {
    Home home(GENERATE(false, true));
    home.fall_silent();
    home.shelve(640, std::chrono::hours{2});
    home.shelve(650, std::chrono::hours{1});
    CHECK(home.alarm().shelved_until == at_min(710));
    home.unshelve(660);
    CHECK(home.state() == "unacknowledged");
    home.unshelve(661);
    CHECK(home.state() == "unacknowledged");
    home.run_clock(2000);
    CHECK(home.state() == "unacknowledged");
    home.speak(2001, 2022);
    home.shelve(2023, std::chrono::hours{1});
    CHECK(home.state() == "shelved");
    home.run_clock(2100);
    // Silent again since 2037, so it is told at the shelving's end.
    CHECK(home.state() == "unacknowledged");
    CHECK(home.alarm().raised_at == at_min(2037));
    CHECK(home.world.alarms().size() == 1);
}

TEST_CASE("what was raised at the very moment at which its shelving ends is told once") {
    Home home;
    home.fall_silent();
    home.shelve(640, std::chrono::minutes{96});  // Until 736, when the node is silent again.
    home.speak(700, 721);
    home.run_clock(736);
    CHECK(home.state() == "unacknowledged");
    CHECK(home.published() == "unacknowledged");
}

TEST_CASE("an older alarm of a kind is acknowledged by itself, and cannot be shelved") {
    Home home;
    home.fall_silent();
    const Alarm older = home.alarm();
    home.speak(700, 721);
    home.run_clock(800);
    REQUIRE(home.world.alarms().size() == 2);
    home.tell(801, instruction_to_shelve("house", older, std::chrono::hours{1}));
    home.tell(802, instruction_to_acknowledge("house", older));
    CHECK(home.world.alarms()[1].alarm.state == AlarmState::normal);
    CHECK(home.state() == "unacknowledged");
    // The topic stays the newest one's.
    CHECK(home.world.published(silent_topic).back().at("id") == home.alarm().id);
}

TEST_CASE("a word about an alarm that this ledger does not hold is passed over") {
    Home home;
    home.fall_silent();
    Alarm other = home.alarm();
    other.raised_at -= std::chrono::hours{24};
    home.tell(630, instruction_to_acknowledge("house", other));
    home.tell(631, instruction_to_shelve("house", other, std::chrono::hours{1}));
    home.tell(
        632,
        R"({"do":"shelve-alarm","meter":"house","kind":"flood","raised_at":"2026-03-01T10:15:00Z","for_s":60})");
    home.tell(
        633,
        R"({"do":"shelve-alarm","meter":"house","kind":"node-silent","raised_at":"2026-03-01T10:15:00Z","for_s":-60})");
    home.tell(
        634,
        R"({"do":"shelve-alarm","meter":"house","kind":"node-silent","raised_at":"2026-03-01T10:15:00Z"})");
    home.tell(635, R"({"do":"acknowledge-alarm","meter":"house"})");
    CHECK(home.state() == "unacknowledged");
    home.tell(
        636,
        R"({"do":"acknowledge-alarm","meter":"house","kind":"node-silent","raised_at":"2026-03-01T10:15:00Z"})");
    CHECK(home.state() == "acknowledged");
}
