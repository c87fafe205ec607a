// Instructions about alarms and about being away: which are kept, and which are refused.
#include <catch2/catch.hpp>

#include "serve/api_fixture.hpp"

using namespace tickledger;
using namespace tickledger::test;
using Json = nlohmann::ordered_json;

namespace {

struct AlarmFixture : ApiFixture {
    AlarmFixture() {
        sure(ledger->begin());
        alarm.state = AlarmState::unacknowledged;
        alarm.raised_at = at("2026-03-02T05:00:00.25Z");
        alarm.text = "Water ran all night.";
        change([](Alarm&) {});
    }
    /// Changes the alarm as booking would.
    template <typename Change>
    void change(Change change, const std::string& meter_id = "house") {
        if (!open) sure(ledger->begin());
        change(alarm);
        alarm.id = sure(ledger->put_alarm(meter(meter_id), alarm));
        sure(ledger->commit());
        open = false;
    }
    [[nodiscard]] std::string path(const std::string& what) const {
        return "/v1/alarms/" + std::to_string(alarm.id) + "/" + what;
    }
    [[nodiscard]] Json post(const std::string& target, const std::string& body = {}) const {
        const Response response = answer(target, "POST", body);
        REQUIRE(response.status == 200);
        return Json::parse(response.body);
    }

    Alarm alarm;
    bool open = true;
};

}  // namespace

TEST_CASE("an acknowledgement is kept with kind and time, and the answer has the alarm's new state") {
    AlarmFixture fixture;
    fixture.on_order = [&] {
        fixture.change([](Alarm& alarm) { acknowledge(alarm, at("2026-03-08T12:00:00Z")); });
    };
    const Json document = fixture.post(fixture.path("acknowledge"));
    CHECK(document.at("state") == "acknowledged");
    CHECK(document.at("acknowledged_at") == "2026-03-08T12:00:00+00:00");
    REQUIRE(fixture.orders.size() == 1);
    CHECK(
        fixture.orders[0] ==
        R"({"do":"acknowledge-alarm","meter":"house","kind":"night-flow","raised_at":"2026-03-02T05:00:00.250000Z"})");
    // The same request again keeps nothing and gets the same answer.
    CHECK(fixture.post(fixture.path("acknowledge"), "{}") == document);
    CHECK(fixture.orders.size() == 1);
}

TEST_CASE("an acknowledgement is taken back, and the answer says if there was none") {
    AlarmFixture fixture;
    fixture.on_order = [&] { fixture.change([](Alarm& alarm) { unacknowledge(alarm); }); };
    // Nobody has acknowledged it yet, so nothing is kept.
    CHECK(fixture.post(fixture.path("unacknowledge")).at("state") == "unacknowledged");
    CHECK(fixture.orders.empty());
    fixture.change([](Alarm& alarm) { acknowledge(alarm, at("2026-03-08T12:00:00Z")); });
    const Json document = fixture.post(fixture.path("unacknowledge"));
    CHECK(document.at("state") == "unacknowledged");
    CHECK(document.at("acknowledged_at").is_null());
    REQUIRE(fixture.orders.size() == 1);
    CHECK(
        fixture.orders[0] ==
        R"({"do":"unacknowledge-alarm","meter":"house","kind":"night-flow","raised_at":"2026-03-02T05:00:00.250000Z"})");

    fixture.change([](Alarm& alarm) { shelve(alarm, at("2026-03-10T12:00:00Z")); });
    CHECK_THAT(fixture.refusal(fixture.path("unacknowledge"), 409, "POST"), Catch::Contains("Unshelve"));
    fixture.change([](Alarm& alarm) {
        clear(alarm, at("2026-03-09T12:00:00Z"));
        unshelve(alarm);
    });
    CHECK_THAT(fixture.refusal(fixture.path("unacknowledge"), 409, "POST"),
               Catch::Contains("nothing to take back"));
    CHECK(fixture.orders.size() == 1);
}

TEST_CASE("a shelving is kept with its duration, and the answer is 202 until it is booked") {
    AlarmFixture fixture;
    CHECK(fixture.answer(fixture.path("shelve"), "POST", R"({"for":"P2D"})").status == 202);
    REQUIRE(fixture.orders.size() == 1);
    CHECK(
        fixture.orders[0] ==
        R"({"do":"shelve-alarm","meter":"house","kind":"night-flow","raised_at":"2026-03-02T05:00:00.250000Z","for_s":172800})");
    fixture.on_order = [&] {
        fixture.change([](Alarm& alarm) { shelve(alarm, at("2026-03-10T12:00:00Z")); });
    };
    const Json document = fixture.post(fixture.path("shelve"), R"({"for":"P31D"})");
    CHECK(document.at("state") == "shelved");
    CHECK(document.at("shelved_until") == "2026-03-10T12:00:00+00:00");
    CHECK(fixture.document("/v1/alarms?state=shelved").at("alarms").size() == 1);
    CHECK_THAT(fixture.refusal(fixture.path("acknowledge"), 409, "POST"),
               Catch::Contains("2026-03-10 12:00 ") && Catch::Contains("unshelve it first"));

    fixture.on_order = [&] { fixture.change([](Alarm& alarm) { unshelve(alarm); }); };
    CHECK(fixture.post(fixture.path("unshelve")).at("state") == "unacknowledged");
    const std::size_t orders = fixture.orders.size();
    CHECK(fixture.post(fixture.path("unshelve")).at("state") == "unacknowledged");
    CHECK(fixture.orders.size() == orders);
}

TEST_CASE("an invalid instruction about an alarm is refused with a remedy, and nothing is kept") {
    AlarmFixture fixture;
    for (const char* body :
         {"", "{}", R"({"for":null})", R"({"for":2})", R"({"for":"2d"})", R"({"for":"P1M"})",
          R"({"for":"P0D"})", R"({"for":"PT0S"})", R"({"for":"-P1D"})", R"({"for":"soon"})",
          R"({"for":"P99999999999D"})", R"({"until":"2026-03-10"})", "[]", "P2D"}) {
        INFO(body);
        CHECK_FALSE(fixture.refusal(fixture.path("shelve"), 400, "POST", body).empty());
    }
    CHECK_THAT(fixture.refusal(fixture.path("shelve"), 400, "POST", R"({"for":"P31DT1S"})"),
               Catch::Contains("31 days"));
    CHECK_THAT(fixture.refusal(fixture.path("acknowledge"), 400, "POST", R"({"for":"P2D"})"),
               Catch::Contains("takes none"));
    for (const char* what : {"acknowledge", "unacknowledge", "unshelve", "shelve"}) {
        for (const char* id : {"999", "0", "-1", "7x", "seven", "99999999999999999999"}) {
            CAPTURE(what, id);
            const std::string target = std::string("/v1/alarms/") + id + "/" + what;
            CHECK_THAT(
                fixture.refusal(target, 404, "POST", std::string(what) == "shelve" ? R"({"for":"P2D"})" : ""),
                Catch::Contains(std::string("\"") + id + "\""));
        }
    }
    CHECK(fixture.answer(fixture.path("acknowledge")).status == 405);
    CHECK(fixture.orders.empty());
}

TEST_CASE("only the newest alarm of a kind at a meter can be shelved") {
    AlarmFixture fixture;
    const std::string older = fixture.path("shelve");
    fixture.change([](Alarm& alarm) {
        alarm.id = 0;
        alarm.raised_at = at("2026-03-05T05:00:00Z");
    });
    CHECK_THAT(fixture.refusal(older, 409, "POST", R"({"for":"P2D"})"),
               Catch::Contains("Shelve alarm " + std::to_string(fixture.alarm.id)));
    CHECK(fixture.answer(fixture.path("shelve"), "POST", R"({"for":"P2D"})").status == 202);
}

TEST_CASE("an instruction about an alarm of a meter that is no longer configured is refused") {
    AlarmFixture fixture;
    fixture.change([](Alarm& alarm) { alarm.id = 0; }, "gone");
    CHECK_THAT(fixture.refusal(fixture.path("acknowledge"), 409, "POST"), Catch::Contains("\"gone\""));
    CHECK(fixture.orders.empty());
}

TEST_CASE("people leave now, leave later, and come home") {
    ApiFixture fixture;
    const std::string target = "/v1/meters/house/away";
    const auto say = [&](const std::string& method, const std::string& body, const ToldAway& told) {
        fixture.on_order = [&fixture, told] {
            sure(fixture.ledger->begin());
            fixture.meter("house");
            sure(fixture.ledger->commit());
            fixture.summaries["house"].away = told;
        };
        const Response response = fixture.answer(target, method, body);
        INFO(response.body);
        REQUIRE(response.status == 200);
        return Json::parse(response.body);
    };
    Json said = say("POST", R"({"away":true})", {fixture.now, {}, false});
    CHECK(said.at("away") == true);
    CHECK(said.at("away_from") == "2026-03-08T12:00:00+00:00");
    CHECK(said.at("away_to").is_null());
    CHECK(fixture.document("/v1/meters").at("meters")[0].at("away") == true);

    said = say("POST", R"({"from":"2026-07-01","to":"2026-07-15"})",
               {at("2026-06-30T23:00:00Z"), at("2026-07-14T23:00:00Z"), false});
    CHECK(said.at("away") == false);
    CHECK(said.at("away_from") == "2026-07-01T00:00:00+01:00");
    CHECK_THAT(said.at("text").get<std::string>(),
               Catch::StartsWith("Everybody is away at house from 2026-07-01 00:00 to 2026-07-15 00:00: "));
    CHECK(said.at("away_to") == "2026-07-15T00:00:00+01:00");

    fixture.configuration.meters[0].alarms.off = {AlarmKind::away_use};
    said = say("POST", R"({"from":"2026-07-01","to":"2026-07-15"})",
               {at("2026-06-30T23:00:00Z"), at("2026-07-14T23:00:00Z"), false});
    CHECK_THAT(said.at("text").get<std::string>(), Catch::Contains("switched off"));
    fixture.configuration.meters[0].alarms.off = {};
    fixture.orders.pop_back();

    said = say("DELETE", "", {{}, {}, false});
    CHECK(said.at("away") == false);
    CHECK(said.at("away_from").is_null());
    said = say("POST", R"({"away":false})", {{}, {}, false});
    CHECK(said.at("away") == false);
    CHECK(
        fixture.orders ==
        std::vector<std::string>{
            R"({"do":"set-away","meter":"house","away":true})",
            R"({"do":"set-away","meter":"house","away":true,"from":"2026-06-30T23:00:00.000000Z","to":"2026-07-14T23:00:00.000000Z"})",
            R"({"do":"set-away","meter":"house","away":false})",
            R"({"do":"set-away","meter":"house","away":false})"});
    fixture.on_order = {};
    CHECK(fixture.answer(target, "POST", R"({"away":true})").status == 202);
}

TEST_CASE("the configured away state holds until a person says otherwise") {
    ApiFixture fixture;
    fixture.configuration.meters[0].alarms.away = true;
    const Json meter = fixture.document("/v1/meters").at("meters")[0];
    CHECK(meter.at("away") == true);
    CHECK(meter.at("away_from").is_null());
}

TEST_CASE("an invalid instruction about being away is refused, and nothing is kept") {
    ApiFixture fixture;
    for (const char* body : {"", "{}", R"({"away":"yes"})", R"({"away":false,"to":"2026-07-15"})",
                             R"({"from":"2026-07-15","to":"2026-07-01"})", R"({"to":"2026-03-08T11:59:59Z"})",
                             R"({"from":"2026-01-01","to":"2026-02-01"})", R"({"to":"soon"})",
                             R"({"until":"2026-07-15"})", "away"}) {
        INFO(body);
        CHECK_FALSE(fixture.refusal("/v1/meters/house/away", 400, "POST", body).empty());
    }
    CHECK_FALSE(fixture.refusal("/v1/meters/barn/away", 404, "POST", R"({"away":true})").empty());
    CHECK(fixture.orders.empty());
}
