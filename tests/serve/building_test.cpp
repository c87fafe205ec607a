// The building: one line for each meter.
#include <catch2/catch.hpp>

#include "serve/api_fixture.hpp"

namespace tickledger {
namespace {

using std::chrono::hours;
using test::ApiFixture;
using test::at;
using test::sure;
using Json = nlohmann::ordered_json;

/// The week before 2026-03-08, with the same ticks in every hour of every day.
void put_week(ApiFixture& fixture, MeterKey meter, std::int64_t ticks_an_hour) {
    for (int day = 1; day <= 7; ++day) {
        const Instant midnight = at("2026-03-0" + std::to_string(day) + "T00:00:00Z");
        sure(fixture.ledger->put_row({meter, Step::day, midnight}, Row{24 * ticks_an_hour, hours{24}, 0, 0}));
        for (int hour = 0; hour < 24; ++hour)
            sure(fixture.ledger->put_row({meter, Step::hour, midnight + hours{hour}},
                                         Row{ticks_an_hour, hours{1}, 0, 0}));
    }
}

void put_today(ApiFixture& fixture, MeterKey meter, std::int64_t ticks) {
    sure(
        fixture.ledger->put_row({meter, Step::day, at("2026-03-08T00:00:00Z")}, Row{ticks, hours{12}, 0, 0}));
}

Json line_of(const Json& building, const std::string& id) {
    for (const Json& meter : building.at("meters"))
        if (meter.at("id") == id) return meter;
    throw std::runtime_error("no line of " + id);
}

}  // namespace

TEST_CASE("each meter of the building is compared with its usual volume by now, and so is the sum") {
    ApiFixture fixture;
    sure(fixture.ledger->begin());
    const MeterKey house = fixture.meter("house");
    const MeterKey flat = fixture.meter("flat-7");  // Its tick is ten litres.
    put_week(fixture, house, 2);
    put_week(fixture, flat, 1);
    put_today(fixture, house, 288);
    put_today(fixture, flat, 3);
    sure(fixture.ledger->commit());

    const Json building = fixture.document("/v1/building");
    CHECK(building.at("time") == "2026-03-08T12:00:00+00:00");
    CHECK(building.at("currency").is_null());
    CHECK(building.at("usual_pending") == 0);
    const Json of_house = line_of(building, "house");
    CHECK(of_house.at("today_l") == 288.0);
    CHECK(of_house.at("yesterday_l") == 48.0);
    CHECK(of_house.at("usual_l") == 48.0);
    CHECK(of_house.at("usual_until_now_l") == 24.0);  // Twelve times the usual.
    CHECK(of_house.at("usual_until_now_l") ==
          fixture.document("/v1/meters/house/today").at("usual").at("until_now_l"));
    CHECK(line_of(building, "flat-7").at("today_l") == 30.0);
    CHECK(line_of(building, "garden").at("today_l").is_null());
    CHECK(building.at("sum") == Json{{"meters", 2},
                                     {"meters_without_number", 1},
                                     {"today_l", 318.0},
                                     {"yesterday_l", 288.0},
                                     {"usual_until_now_l", 144.0}});
}

TEST_CASE("a flow older than two cadences is not reported as the current flow") {
    ApiFixture fixture;
    sure(fixture.ledger->begin());
    fixture.meter("house");
    sure(fixture.ledger->commit());
    MeterSummary& summary = fixture.summaries["house"];
    summary.flow_l_per_h = 480;
    summary.last_span = Span{at("2026-03-08T11:51:00Z"), at("2026-03-08T11:54:00Z")};
    CHECK(line_of(fixture.document("/v1/building"), "house").at("flow_l_per_h") == 480.0);
    summary.last_span = Span{at("2026-03-08T11:44:00Z"), at("2026-03-08T11:47:00Z")};
    const Json late = line_of(fixture.document("/v1/building"), "house");
    CHECK(late.at("flow_l_per_h").is_null());
    CHECK(late.at("seen_until") == "2026-03-08T11:47:00+00:00");
}

TEST_CASE("a meter's line has its active alarms, its silence, and its unreadable messages with their topic") {
    ApiFixture fixture;
    sure(fixture.ledger->begin());
    const MeterKey house = fixture.meter("house");
    Alarm lasting;
    lasting.kind = AlarmKind::night_flow;
    lasting.state = AlarmState::unacknowledged;
    lasting.raised_at = at("2026-03-08T05:00:00Z");
    sure(fixture.ledger->put_alarm(house, lasting));
    Alarm over = lasting;
    over.kind = AlarmKind::high_flow;
    over.state = AlarmState::returned_unacknowledged;
    over.cleared_at = at("2026-03-08T06:00:00Z");
    sure(fixture.ledger->put_alarm(house, over));
    sure(fixture.ledger->add_refused(
        {house, at("2026-03-07T11:00:00Z"), Refusal::unreadable, "nodes/house", "1", "too old to be told"}));
    sure(fixture.ledger->add_refused(
        {house, at("2026-03-08T08:00:00Z"), Refusal::unreadable, "nodes/house", "2", "there is no /count"}));
    sure(fixture.ledger->add_refused(
        {house, at("2026-03-08T07:00:00Z"), Refusal::stray, "nodes/house", "3", "a jump"}));
    sure(fixture.ledger->commit());
    fixture.health.meters = {{"house", {}, at("2026-03-08T09:00:00Z"), {}}};

    const Json line = line_of(fixture.document("/v1/building"), "house");
    REQUIRE(line.at("alarms").size() == 1);
    CHECK(line.at("alarms")[0].at("kind") == "night-flow");
    CHECK(line.at("silent_since") == "2026-03-08T09:00:00+00:00");
    CHECK(line.at("refused") == Json{{"unreadable", 1},
                                     {"stray", 1},
                                     {"last_at", "2026-03-08T08:00:00+00:00"},
                                     {"reason", "unreadable"},
                                     {"topic", "nodes/house"},
                                     {"text", "there is no /count"}});
    CHECK(line_of(fixture.document("/v1/building"), "garden").at("refused").is_null());
}

TEST_CASE("the main meter is compared with the sum of the meters behind it, with their tolerance") {
    ApiFixture fixture;
    fixture.configuration.names = {
        {}, {.name = {}, .group = {}, .parent = "house"}, {"Flat {1}", "Staircase 1", "house"}};
    sure(fixture.ledger->begin());
    const MeterKey house = fixture.meter("house");
    const MeterKey garden = fixture.meter("garden");
    const MeterKey flat = fixture.meter("flat-7");
    put_week(fixture, house, 20);   // 480 L a day;
    put_week(fixture, garden, 30);  // 240 L,
    put_week(fixture, flat, 1);     // and 240 L: nothing is left over.
    put_today(fixture, house, 100);
    put_today(fixture, garden, 30);
    put_today(fixture, flat, 3);
    sure(fixture.ledger->commit());

    Json building = fixture.document("/v1/building");
    CHECK(line_of(building, "flat-7").at("name") == "Flat 7");
    CHECK(line_of(building, "flat-7").at("group") == "Staircase 1");
    CHECK(line_of(building, "flat-7").at("parent") == "house");
    // No litre counts twice.
    CHECK(building.at("sum").at("today_l") == 100.0);
    CHECK(building.at("sum").at("meters") == 1);
    REQUIRE(building.at("balances").size() == 2);
    const Json yesterday = building.at("balances")[0];
    CHECK(yesterday.at("meter") == "house");
    CHECK(yesterday.at("parts") == Json{"garden", "flat-7"});
    CHECK(yesterday.at("volume_l") == 480.0);
    CHECK(yesterday.at("parts_l") == 480.0);
    CHECK(yesterday.at("difference_l") == 0.0);
    // 2 % of 480, 240 and 240 L (ISO 4064-1, class 2, above Q2: second-hand), and ticks of 1, 1/3 and 10 L.
    CHECK(yesterday.at("tolerance_l") == 30.533);
    CHECK(yesterday.at("is_whole") == true);
    const Json week = building.at("balances")[1];
    CHECK(week.at("from") == "2026-03-01T00:00:00+00:00");
    CHECK(week.at("volume_l") == 7 * 480.0);

    // A day that was only partly seen proves nothing.
    sure(fixture.ledger->begin());
    sure(fixture.ledger->put_row({garden, Step::day, at("2026-03-07T00:00:00Z")}, Row{700, hours{20}, 0, 0}));
    sure(fixture.ledger->commit());
    building = fixture.document("/v1/building");
    CHECK(building.at("balances")[0].at("is_whole") == false);
    CHECK(building.at("balances")[0].at("parts_l") == 473.333);
}

TEST_CASE("the balance of a building from which nothing was heard was zero litres") {
    ApiFixture fixture;
    fixture.configuration.names = {{}, {.name = {}, .group = {}, .parent = "house"}, {}};
    const Json nothing = fixture.document("/v1/building").at("balances");
    REQUIRE(nothing.size() == 2);
    for (const char* member : {"volume_l", "parts_l", "difference_l", "tolerance_l"})
        CHECK(nothing[0].at(member).is_null());
    CHECK(nothing[0].at("is_whole") == false);

    sure(fixture.ledger->begin());
    const MeterKey house = fixture.meter("house");
    put_week(fixture, house, 20);
    sure(fixture.ledger->commit());
    const Json half = fixture.document("/v1/building").at("balances")[0];
    CHECK(half.at("volume_l") == 480.0);
    CHECK(half.at("parts_l").is_null());
    CHECK(half.at("difference_l").is_null());
}

TEST_CASE("on its first day a building was said to have used nothing yesterday") {
    ApiFixture fixture;
    sure(fixture.ledger->begin());
    put_today(fixture, fixture.meter("house"), 12);
    sure(fixture.ledger->commit());
    const Json sum = fixture.document("/v1/building").at("sum");
    CHECK(sum.at("today_l") == 12.0);
    CHECK(sum.at("yesterday_l").is_null());
}

TEST_CASE("the usual days of a large building are computed over a few calls") {
    ApiFixture fixture;
    sure(fixture.ledger->begin());
    for (int i = 100; i < 150; ++i)
        put_week(fixture, fixture.meter("flat-" + std::to_string(i)), 1);
    sure(fixture.ledger->commit());
    const auto pending = [&] { return fixture.document("/v1/building").at("usual_pending").get<int>(); };
    const int first = pending();
    CHECK(first > 0);
    CHECK(first < 50);
    CHECK(pending() < first);
    CHECK(pending() == 0);
    CHECK(line_of(fixture.document("/v1/building"), "flat-149").at("usual_l") == 240.0);
}

}  // namespace tickledger
