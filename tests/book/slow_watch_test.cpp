// slow-leak: days of evidence in the account's memory, and one alarm.
#include "ledger_world.hpp"

using namespace tickledger;
using namespace tickledger::test;

namespace {

constexpr int day_min = 24 * 60;

/// Five ticks at 06:30 and at 23:00, like a flush.
int uses(int minute) {
    const int time = minute % day_min;
    return time == 6 * 60 + 30 || time == 23 * 60 ? 5 : 0;
}
/// The same, with a leak of half a litre an hour.
int uses_and_leak(int minute) {
    return uses(minute) + (minute % 120 == 0 ? 1 : 0);
}

class Home {
public:
    template <typename Ticks>
    void live_until(int to_min, Ticks ticks) {
        std::vector<Delivery> deliveries;
        for (; minute_ <= to_min; minute_ += 3) {
            count_ += ticks(minute_);
            Message message;
            message.arrived_at = at_min(minute_);
            message.topic = "nodes/house";
            message.payload = "{\"count\":" + std::to_string(count_) + "}";
            deliveries.push_back({std::move(message)});
        }
        world.take(std::move(deliveries));
    }
    [[nodiscard]] std::vector<Alarm> alarms() {
        std::vector<Alarm> found;
        for (const auto& record : world.alarms())
            found.push_back(record.alarm);
        return found;
    }

    LedgerWorld world;

private:
    int minute_ = 0;
    int count_ = 0;
};

}  // namespace

TEST_CASE("half a litre an hour raises one alarm within a week, with the estimated litres a day") {
    Home home;
    home.live_until(14 * day_min, uses_and_leak);
    REQUIRE(home.alarms().size() == 1);
    const Alarm alarm = home.alarms()[0];
    CHECK(alarm.kind == AlarmKind::slow_leak);
    CHECK(alarm.raised_at < at_min(7 * day_min));
    const auto evidence = nlohmann::json::parse(alarm.evidence);
    CHECK(evidence["flow_l_per_h"].get<double>() == Approx(0.5).epsilon(0.25));
    CHECK(evidence["period_min"].get<double>() == Approx(120).epsilon(0.3));
    CHECK(evidence["estimated_l_per_day"].get<double>() == Approx(12).epsilon(0.25));
    CHECK(evidence["lone_ticks"].get<int>() >= 4);
    CHECK(home.world.published("meters/house/alarms/slow-leak").size() == 1);
}

TEST_CASE("a repaired leak clears the alarm, and a new leak raises a new one") {
    Home home;
    home.live_until(7 * day_min, uses_and_leak);
    REQUIRE(home.alarms().size() == 1);
    home.live_until(8 * day_min, uses);
    REQUIRE(home.alarms().size() == 1);
    CHECK(home.alarms()[0].cleared_at);
    home.live_until(20 * day_min, uses);
    CHECK(home.alarms().size() == 1);
    home.live_until(30 * day_min, uses_and_leak);
    CHECK(home.alarms().size() == 2);
}

TEST_CASE("a house without a leak raises no alarm") {
    Home home;
    home.live_until(60 * day_min, uses);
    CHECK(home.alarms().empty());
}

TEST_CASE("the evidence survives restarts of the daemon: the same alarm at the same moment") {
    Home whole;
    whole.live_until(14 * day_min, uses_and_leak);
    Home torn;
    for (int minute = 0; minute <= 14 * day_min; minute += 403) {
        torn.live_until(minute, uses_and_leak);
        torn.world.open();
    }
    torn.live_until(14 * day_min, uses_and_leak);
    REQUIRE(torn.alarms().size() == 1);
    CHECK(torn.alarms()[0].raised_at == whole.alarms()[0].raised_at);
    CHECK(torn.alarms()[0].evidence == whole.alarms()[0].evidence);
}

TEST_CASE("a leak that night-flow reports is not reported twice") {
    Home home;
    home.live_until(14 * day_min, [](int minute) { return uses(minute) + (minute % 27 == 0 ? 1 : 0); });
    REQUIRE(home.alarms().size() == 1);
    CHECK(home.alarms()[0].kind == AlarmKind::night_flow);
}

TEST_CASE("a kind that is switched off raises no alarm") {
    Home home;
    home.world.meters[0].alarms.off = {AlarmKind::slow_leak};
    home.world.open();
    home.live_until(14 * day_min, uses_and_leak);
    CHECK(home.alarms().empty());
}
