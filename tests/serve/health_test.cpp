// The sentences of health.
#include <catch2/catch.hpp>

#include "serve/api_fixture.hpp"

using namespace tickledger;
using namespace tickledger::test;

TEST_CASE("a message that belongs to no meter is reported with its topic, and health is degraded") {
    ApiFixture fixture;
    CHECK(fixture.document("/v1/health").at("state") == "up");
    fixture.health.unmatched_topic = "flats/No good id/water";
    fixture.health.unmatched_at = at("2026-03-08T11:50:00Z");
    const auto document = fixture.document("/v1/health");
    CHECK(document.at("state") == "degraded");
    REQUIRE(document.at("troubles").size() == 1);
    CHECK_THAT(document.at("troubles")[0].get<std::string>(),
               Catch::Contains("flats/No good id/water") && Catch::Contains("last at 2026-03-08 11:50,") &&
                   Catch::Contains("small letters"));
}

TEST_CASE("a node that sends less often than its cadence is reported with the line to configure") {
    ApiFixture fixture;
    MeterHealth& house = fixture.health.meters.emplace_back();
    house.id = "house";
    house.last_message_at = at("2026-03-08T11:50:00Z");
    house.cadence = std::chrono::minutes{3};
    CHECK(fixture.document("/v1/health").at("troubles").empty());
    house.longer_cadence = std::chrono::minutes{15};
    const auto troubles = fixture.document("/v1/health").at("troubles");
    REQUIRE(troubles.size() == 1);
    CHECK_THAT(troubles[0].get<std::string>(),
               Catch::Contains("The node of house sends about every 15min, but its `cadence` is 3min.") &&
                   Catch::Contains("cadence = \"15min\""));
}

TEST_CASE("health gives the reason for a refused subscription, and reports one without acknowledgement") {
    ApiFixture fixture;
    const bool is_refused = GENERATE(true, false);
    fixture.health.broker_subscribed = !is_refused;
    fixture.health.broker_trouble = is_refused ? "The broker refuses the subscription to `house`."
                                               : "The broker grants `house` only without acknowledgement.";
    const auto document = fixture.document("/v1/health");
    CHECK(document.at("state") == "degraded");
    REQUIRE(document.at("troubles").size() == 1);
    CHECK(document.at("troubles")[0] == fixture.health.broker_trouble);
}
