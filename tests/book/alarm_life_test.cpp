// What people do with alarms: in the ledger, across restarts of the daemon, by the event clock and on the
// broker's topic.
#include "book/instruction_documents.hpp"
#include "ledger_world.hpp"

using namespace tickledger;
using namespace tickledger::test;

namespace {

const std::string silent_topic = "meters/house/alarms/node-silent";

/// A bookkeeper whose node falls silent and sends again, while people give instructions.
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
    /// Sends until minute 600 and then falls silent: the alarm is raised at 615.
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
    /// The state that the broker's subscribers last received.
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

TEST_CASE("an alarm is acknowledged once, and it is normal when it clears afterwards") {
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

TEST_CASE("an alarm that clears before anybody acknowledges it still waits to be acknowledged") {
    Home home(GENERATE(false, true));
    home.fall_silent();
    home.speak(700, 721);
    CHECK(home.state() == "returned-unacknowledged");
    home.acknowledge(730);
    CHECK(home.state() == "normal");
    CHECK(home.alarm().acknowledged_at == at_min(730));
    CHECK(home.published() == "normal");
}

TEST_CASE("an acknowledgement can be taken back during the alarm and after it") {
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

TEST_CASE("shelving ends on the event clock: unacknowledged again if the condition still holds") {
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

TEST_CASE("shelving ends on the event clock: normal if the condition is over") {
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

TEST_CASE("an alarm that is raised again while shelved stays quiet, and stays one alarm") {
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

TEST_CASE("shelving can be ended early, changed, and applied to an alarm that is over") {
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
    // Raised again at 2037, so it is unacknowledged when the shelving ends.
    CHECK(home.state() == "unacknowledged");
    CHECK(home.alarm().raised_at == at_min(2037));
    CHECK(home.world.alarms().size() == 1);
}

TEST_CASE("an alarm that is raised at the moment its shelving ends is unacknowledged") {
    Home home;
    home.fall_silent();
    home.shelve(640, std::chrono::minutes{96});  // Until 736, when the node is silent again.
    home.speak(700, 721);
    home.run_clock(736);
    CHECK(home.state() == "unacknowledged");
    CHECK(home.published() == "unacknowledged");
}

TEST_CASE("an older alarm of a kind is acknowledged on its own and cannot be shelved") {
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
    // The topic keeps the newest alarm.
    CHECK(home.world.published(silent_topic).back().at("id") == home.alarm().id);
}

TEST_CASE("an instruction about an alarm that is not in the ledger is ignored") {
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
