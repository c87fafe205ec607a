// What health reads of the meters, while their settings change.
#include "service/health_look.hpp"

#include <catch2/catch.hpp>

#include "engine/engine.hpp"
#include "engine/event_source.hpp"
#include "engine/opened_store.hpp"
#include "support/temp_directory.hpp"

using namespace tickledger;
using namespace tickledger::test;
using std::chrono::hours;
using std::chrono::minutes;

TEST_CASE("the advice to write a longer cadence ends when the settings have it, before the next message") {
    const Instant midnight = std::chrono::sys_days{std::chrono::year{2026} / 3 / 1};
    const TempDirectory directory;
    const auto files = machine_files();
    const CivilZone zone = CivilZone::find("UTC").value();
    MeterSettings house;
    house.id = "house";
    house.topic = "nodes/house";
    house.cadence = minutes{3};
    const std::vector<MeterSettings> meters{house};
    auto store = open_store(*files, directory.path(), meters, 1, zone, midnight - hours{24});
    REQUIRE(store.has_value());
    const Instant now = midnight + hours{3};
    for (Instant at = midnight; at < now; at += minutes{15}) {
        Message message;
        message.arrived_at = at;
        message.topic = house.topic;
        message.payload = "{\"count\":" + std::to_string((at - midnight) / minutes{1}) + "}";
        REQUIRE(store->log->append(std::move(message), at));
    }
    LogSource source(*files, directory.path() / messages_name, *store->log, store->booked_to);
    Engine engine(*store->ledger, *store->bookkeeper, source, store->booked_to, {.pack_after = hours{24}},
                  [](Level, const std::string& text) { FAIL(text); });
    while (engine.step(now) == Engine::Step::more) {
    }
    REQUIRE(engine.trouble().empty());

    MetersLook look(directory.path() / ledger_name, {}, zone);
    const auto advice = [&] {
        const auto seen = look.look([&](const std::string&) { return &house; }, now, Duration{0});
        REQUIRE(seen.size() == 1);
        return seen[0].longer_cadence;
    };
    CHECK(advice() == Duration{minutes{15}});
    house.cadence = minutes{15};
    CHECK_FALSE(advice());
}
