#include "serve/api.hpp"

#include <catch2/catch.hpp>

#include "serve/api_fixture.hpp"
#include "serve/meter_facts.hpp"

namespace tickledger {
namespace {

using test::ApiFixture;
using test::at;
using test::mentions;
using test::sure;
using Json = nlohmann::ordered_json;

TEST_CASE("meters are listed in the order of the configuration, those of a pattern once they exist") {
    ApiFixture fixture;
    sure(fixture.ledger->begin());
    for (const char* id : {"flat-9", "house", "flat-10", "gone"})
        fixture.meter(id);
    sure(fixture.ledger->commit());
    MeterSummary summary;
    summary.last_reading_at = at("2026-03-08T11:57:00Z");
    summary.total_ticks = 1234567;
    summary.flow_l_per_h = 20.0;
    summary.last_span = Span{at("2026-03-08T11:54:00Z"), at("2026-03-08T11:57:00Z")};
    fixture.summaries["house"] = summary;

    const Json meters = fixture.document("/v1/meters").at("meters");
    REQUIRE(meters.size() == 4);
    CHECK(meters[0] == Json::parse(R"({"id":"house","name":null,"group":null,"parent":null,"pulse_value_l":1,
        "last_reading_at":"2026-03-08T11:57:00+00:00","register_m3":1234.567,"flow_l_per_h":20.0,
        "flow_known":true,"flow_age_s":180,"smallest_visible_leak_l_per_h":2.0,"away":false,"away_from":null,"away_to":null})"));
    CHECK(meters[1].at("id") == "garden");
    CHECK(meters[1].at("register_m3").is_null());
    CHECK(meters[1].at("last_reading_at").is_null());
    CHECK(meters[1].at("flow_l_per_h").is_null());
    // Not flat-10 before flat-9: people count their flats.
    CHECK(meters[2].at("id") == "flat-9");
    CHECK(meters[3].at("id") == "flat-10");
    CHECK(fixture.caught_up == 1);
}

TEST_CASE("meters have the names that people gave, those of a pattern with the text from the topic") {
    ApiFixture fixture;
    fixture.configuration.names = {{.name = "Küche, \"kalt\"", .group = {}, .parent = {}},
                                   {},
                                   {"Flat {1} (no. {1})", "staircase 2", "house"}};
    sure(fixture.ledger->begin());
    fixture.meter("flat-9");
    sure(fixture.ledger->commit());
    const Json meters = fixture.document("/v1/meters").at("meters");
    CHECK(meters[0].at("name") == "Küche, \"kalt\"");
    CHECK(meters[0].at("group").is_null());
    CHECK(meters[0].at("parent").is_null());
    CHECK(meters[1].at("name").is_null());
    CHECK(meters[2].at("name") == "Flat 9 (no. 9)");
    CHECK(meters[2].at("group") == "staircase 2");
    CHECK(meters[2].at("parent") == "house");
    CHECK(text_for("{1}", fixture.configuration.meters[0], "house") == "{1}");
}

TEST_CASE("a flow from thirteen minutes ago at a cadence of three was reported as the current flow") {
    ApiFixture fixture;
    sure(fixture.ledger->begin());
    fixture.meter("house");
    sure(fixture.ledger->commit());
    MeterSummary& summary = fixture.summaries["house"];
    summary.last_reading_at = at("2026-03-08T11:47:00Z");
    summary.flow_l_per_h = 720.0;
    summary.last_span = Span{at("2026-03-08T11:44:00Z"), at("2026-03-08T11:47:00Z")};
    const auto told = [&] {
        Json meter = fixture.document("/v1/meters").at("meters")[0];
        const Json span = fixture.document("/v1/meters/house/today").at("last_span");
        CHECK(span.at("flow_known") == meter.at("flow_known"));
        CHECK(span.at("flow_age_s") == meter.at("flow_age_s"));
        return std::pair{meter.at("flow_known").get<bool>(), meter.at("flow_age_s").get<int>()};
    };
    CHECK(told() == std::pair{false, 780});
    fixture.now = at("2026-03-08T11:53:00Z");
    CHECK(told() == std::pair{true, 360});
    fixture.now = at("2026-03-08T11:53:01Z");
    CHECK(told() == std::pair{false, 361});
    // A clock that was set back gives no negative age.
    fixture.now = at("2026-03-08T11:46:00Z");
    CHECK(told() == std::pair{true, 0});
    const Json garden = fixture.document("/v1/meters").at("meters")[1];
    CHECK(garden.at("flow_known") == false);
    CHECK(garden.at("flow_age_s").is_null());
}

TEST_CASE("the register starts at register_start and is exact to the last stated digit") {
    ApiFixture fixture;
    fixture.configuration.meters[1].register_start_l = {500, 1};
    sure(fixture.ledger->begin());
    fixture.meter("garden");
    sure(fixture.ledger->commit());
    fixture.summaries["garden"].last_reading_at = at("2026-03-08T11:57:00Z");
    fixture.summaries["garden"].total_ticks = 563;
    // 500 L + 563/3 L = 687.6666... L.
    CHECK(mentions(fixture.answer("/v1/meters").body, "\"register_m3\":0.687667,"));
    // The JSON library writes the nearest double with noise: 0.6881660000000001.
    fixture.configuration.meters[1].register_start_l = {688166, 1000};
    fixture.summaries["garden"].total_ticks = 0;
    CHECK(mentions(fixture.answer("/v1/meters").body, "\"register_m3\":0.688166,"));
}

TEST_CASE("alarms are listed newest first, by meter and by state, together with undecided nights") {
    ApiFixture fixture;
    sure(fixture.ledger->begin());
    const MeterKey house = fixture.meter("house");
    const MeterKey garden = fixture.meter("garden");
    Alarm alarm;
    alarm.state = AlarmState::unacknowledged;
    alarm.raised_at = at("2026-03-02T05:00:00Z");
    alarm.evidence = R"({"litres_a_day":48.5})";
    alarm.text = "Water ran all night.";
    const auto first = sure(fixture.ledger->put_alarm(house, alarm));
    alarm.kind = AlarmKind::node_silent;
    alarm.state = AlarmState::normal;
    alarm.raised_at = at("2026-03-03T05:00:00Z");
    alarm.cleared_at = at("2026-03-03T06:00:00Z");
    sure(fixture.ledger->put_alarm(garden, alarm));
    sure(fixture.ledger->add_undecided(house, AlarmKind::night_flow,
                                       {at("2026-03-04T01:00:00Z"), at("2026-03-04T05:00:00Z")},
                                       "Data is missing."));
    sure(fixture.ledger->commit());

    const Json all = fixture.document("/v1/alarms");
    REQUIRE(all.at("alarms").size() == 2);
    CHECK(all.at("alarms")[0].at("meter") == "garden");
    CHECK(all.at("alarms")[0].at("cleared_at") == "2026-03-03T06:00:00+00:00");
    CHECK(all.at("alarms")[1] == Json({{"id", first},
                                       {"meter", "house"},
                                       {"kind", "night-flow"},
                                       {"state", "unacknowledged"},
                                       {"raised_at", "2026-03-02T05:00:00+00:00"},
                                       {"cleared_at", nullptr},
                                       {"acknowledged_at", nullptr},
                                       {"shelved_until", nullptr},
                                       {"evidence", {{"litres_a_day", 48.5}}},
                                       {"text", "Water ran all night."}}));
    REQUIRE(all.at("undecided").size() == 1);
    CHECK(all.at("undecided")[0].at("from") == "2026-03-04T01:00:00+00:00");
    CHECK(fixture.document("/v1/alarms?meter=house").at("alarms").size() == 1);
    CHECK(fixture.document("/v1/alarms?meter=garden").at("undecided").empty());
    CHECK(fixture.document("/v1/alarms?state=normal").at("alarms").size() == 1);
    CHECK(fixture.document("/v1/alarms?state=shelved").at("alarms").empty());
    CHECK(mentions(fixture.refusal("/v1/alarms?state=loud", 400), "\"loud\""));
    CHECK(fixture.refusal("/v1/alarms?meter=barn", 404) ==
          "There is no meter \"barn\". GET /v1/meters lists the meters.");
}

TEST_CASE("health counts the publications that wait for the broker") {
    ApiFixture fixture;
    CHECK(fixture.document("/v1/health").at("broker").at("waiting") == 0);
    sure(fixture.ledger->begin());
    sure(fixture.ledger->queue({.topic = "meters/house/now", .payload = "{}", .retained = true}));
    sure(fixture.ledger->queue({.topic = "meters/house/usage", .payload = "{}"}));
    sure(fixture.ledger->commit());
    CHECK(fixture.document("/v1/health").at("broker").at("waiting") == 2);
}

TEST_CASE("four publications were reported as waiting for a minute after the broker had all four") {
    ApiFixture fixture;
    sure(fixture.ledger->begin());
    for (int i = 0; i < 4; ++i)
        sure(fixture.ledger->queue({.topic = "meters/house/usage", .payload = "{}"}));
    sure(fixture.ledger->commit());
    CHECK(fixture.document("/v1/health").at("broker").at("waiting") == 4);
    fixture.health.publications_arrived = 4;
    CHECK(fixture.document("/v1/health").at("broker").at("waiting") == 0);
    // The ledger may have removed them between two looks.
    fixture.health.publications_arrived = 5;
    CHECK(fixture.document("/v1/health").at("broker").at("waiting") == 0);
}

TEST_CASE("health was up while every message was unreadable, and while a wrong topic received nothing") {
    ApiFixture fixture;
    MeterHealth house{.id = "house", .last_message_at = {}, .silent_since = {}, .clock_disbelieved_at = {}};
    house.refused_count = 7;
    house.refused_at = at("2026-03-08T11:59:00Z");
    house.refused_topic = "nodes/cellar/water";
    house.refused_text = "There is no /count.";
    house.is_refused_unreadable = true;
    MeterHealth garden{.id = "garden", .last_message_at = {}, .silent_since = {}, .clock_disbelieved_at = {}};
    garden.unheard_for = std::chrono::seconds{7 * 60 + 5};
    garden.topic = "nodes/gardne/water";
    fixture.health.meters = {house, garden};
    const Json health = fixture.document("/v1/health");
    CHECK(health.at("state") == "degraded");
    CHECK(
        health.at("troubles") ==
        Json{
            "7 messages of house in the last hour could not be read, the newest on nodes/cellar/water at "
            "2026-03-08 11:59: There is no /count. Correct `fields` or `message` of this [[meter]], or fix "
            "the node.",
            "No message for garden has arrived on nodes/gardne/water in the 7 minutes since the daemon "
            "subscribed. Is the topic right, and is the node switched on? `tickledgerd listen` shows what the "
            "broker has."});
}

TEST_CASE("health says what is wrong in sentences, and does not wait for booking") {
    ApiFixture fixture;
    Json health = fixture.document("/v1/health");
    CHECK(health.at("state") == "up");
    CHECK(health.at("version") == "1.2.3");
    CHECK(health.at("time") == "2026-03-08T12:00:00+00:00");
    CHECK(health.at("broker").at("connected") == true);
    CHECK(health.at("store").at("error").is_null());
    CHECK(health.at("troubles").empty());

    fixture.health.has_meters = false;
    fixture.health.broker_connected = false;
    fixture.health.broker_trouble = "Nobody listens on 127.0.0.1:1883.";
    fixture.health.store_error = "The disk is full.";
    fixture.health.messages_accepted = 12;
    fixture.health.messages_booked = 10;
    fixture.health.meters = {{"house", at("2026-03-08T10:00:00Z"), at("2026-03-08T10:15:00Z"), {}}};
    health = fixture.document("/v1/health");
    CHECK(health.at("state") == "degraded");
    REQUIRE(health.at("troubles").size() == 4);
    CHECK_THAT(health.at("troubles")[0].get<std::string>(), Catch::StartsWith("No meter is configured"));
    CHECK(health.at("troubles")[1] == "Nobody listens on 127.0.0.1:1883.");
    CHECK(health.at("store").at("error") == "The disk is full.");
    CHECK(health.at("messages") == Json({{"accepted", 12}, {"booked", 10}, {"unreadable", 0}, {"stray", 0}}));
    CHECK(health.at("meters")[0].at("silent_since") == "2026-03-08T10:15:00+00:00");
    CHECK(fixture.caught_up == 0);
}

TEST_CASE("a wrong request is refused with what is wrong, where, and a remedy") {
    ApiFixture fixture;
    sure(fixture.ledger->begin());
    fixture.meter("gone");
    sure(fixture.ledger->commit());
    struct Case {
        const char* target;
        unsigned status;
        const char* says;
    };
    for (const Case& one :
         {Case{"/v1/nothing", 404, "/v1/openapi.json"}, Case{"/v1/meters/barn/usage", 404, "\"barn\""},
          Case{"/v1/meters/gone/usage", 404, "[[meter]]"}, Case{"/v1/meters/flat-{1}/usage", 404, "flat-{1}"},
          Case{"/v1/meters/flat-3/ledger", 404, "flat-3"}, Case{"/v1/meters//usage", 404, "nothing at"},
          Case{"/v1/meters/a/b/usage", 404, "nothing at"}, Case{"/v1/meters?from=1", 400, "takes none"},
          Case{"/v1/meters/house/usage?stp=day", 400, "step, from, to"},
          Case{"/v1/meters/house/usage?step=week", 400, "\"week\". Give interval, hour, day, month or year"},
          Case{"/v1/meters/house/usage?from=yesterday", 400, "\"from\" is \"yesterday\""},
          Case{"/v1/meters/house/usage?to=2026-02-30", 400, "\"to\" is \"2026-02-30\""},
          Case{"/v1/meters/house/usage?from=2026-03-02&to=2026-03-02", 400, "empty"},
          Case{"/v1/meters/house/usage?from=2026-03-02&from=2026-03-03", 400, "twice"},
          Case{"/v1/meters/house/usage?step=interval&from=2000-01-01", 400, "at most 100000"},
          Case{"/v1/meters/house/ledger?from=2027-01-01", 400, "empty"}}) {
        CAPTURE(one.target);
        CHECK_THAT(fixture.refusal(one.target, one.status), Catch::Contains(one.says));
    }
}

TEST_CASE("a method that a call does not accept is refused with the methods it accepts") {
    const ApiFixture fixture;
    const Response response = fixture.answer("/v1/meters", "DELETE");
    CHECK(response.status == 405);
    CHECK(response.allow == "GET, HEAD");
    CHECK(fixture.answer("/v1/health", "HEAD").status == 200);
}

TEST_CASE("a conflict was titled Error, because the list of phrases lacked it") {
    const auto title = [](unsigned status) { return Json::parse(problem(status, "Why.").body).at("title"); };
    CHECK(title(409) == "Conflict");
    for (const unsigned status : {400U, 401U, 403U, 404U, 405U, 413U, 415U, 421U, 431U, 500U, 501U, 503U})
        CHECK_FALSE(mentions(title(status), "unknown"));
}

TEST_CASE("a ledger that cannot be read gives a problem that says why") {
    ApiFixture fixture;
    ApiParts parts = fixture.parts();
    parts.open_view = []() -> Result<std::unique_ptr<LedgerView>> { return fail("The disk is gone."); };
    fixture.api = std::make_unique<Api>(std::move(parts));
    CHECK(mentions(fixture.refusal("/v1/meters", 500), "The disk is gone."));
    CHECK(mentions(fixture.refusal("/v1/meters/house/ledger", 500), "The disk is gone."));
}

TEST_CASE("the state of the clock is reported, and a person can confirm that the clock is right") {
    ApiFixture fixture;
    fixture.clock = {.server = at("2027-03-08T12:00:00Z"),
                     .known = at("2026-03-08T12:00:00Z"),
                     .disbelieved_ahead = std::chrono::hours{24 * 365},
                     .stamps_at = {}};
    Json clock = fixture.document("/v1/clock");
    CHECK(clock.at("clock_ahead_s") == 365 * 24 * 3600);
    CHECK(mentions(clock.at("text"), "jumped ahead"));
    CHECK(mentions(fixture.refusal("/v1/clock", 400, "POST", "{}"), "right"));
    CHECK(mentions(fixture.refusal("/v1/clock", 400, "POST", R"({"right":false})"), "right"));
    const Response told = fixture.answer("/v1/clock", "POST", R"({"right":true})");
    CHECK(told.status == 200);
    clock = fixture.document("/v1/clock");
    CHECK(clock.at("clock_ahead_s") == 0);
    CHECK(mentions(clock.at("text"), "is believed"));
    fixture.clock = {
        .server = at("1970-01-01T00:00:10Z"), .known = {}, .disbelieved_ahead = {}, .stamps_at = {}};
    CHECK(fixture.document("/v1/clock").at("time").is_null());
    fixture.now = at("1970-01-01T00:00:10Z");
    CHECK(mentions(fixture.refusal("/v1/clock", 409, "POST", R"({"right":true})"), "right"));
}

}  // namespace
}  // namespace tickledger
