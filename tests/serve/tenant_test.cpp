// A token that may read some meters: every call shows them, and no sign of any other meter.
#include <catch2/catch.hpp>
#include <fstream>

#include "serve/access.hpp"
#include "serve/api_fixture.hpp"
#include "serve/news.hpp"
#include "serve/tenants.hpp"

using namespace tickledger;
using namespace tickledger::test;
using Json = nlohmann::ordered_json;

namespace {

/// The fixture's house, garden and flats 1 and 2 of the pattern. Each has a reading, an alarm and an
/// undecided night. The flats are behind the house.
struct TenantFixture : ApiFixture {
    TenantFixture() {
        configuration.names = {{.name = "The whole house", .group = "all", .parent = ""},
                               {.name = "", .group = "outside", .parent = "house"},
                               {.name = "Flat {1}", .group = "staircase {1}", .parent = "house"}};
        sure(ledger->begin());
        for (const char* id : {"house", "garden", "flat-1", "flat-2"}) {
            const MeterKey key = meter(id);
            add(key, "08:00", "08:03", 7);
            sure(ledger->put_row({key, Step::day, at("2026-03-01T00:00:00Z")},
                                 {.ticks = 7, .covered = std::chrono::hours{24}}));
            Alarm alarm;
            alarm.state = AlarmState::unacknowledged;
            alarm.raised_at = at("2026-03-02T05:00:00Z");
            alarm.text = std::string("Water ran all night at ") + id + ".";
            sure(ledger->put_alarm(key, alarm));
            sure(ledger->add_undecided(key, AlarmKind::night_flow,
                                       {at("2026-03-04T01:00:00Z"), at("2026-03-04T05:00:00Z")}, id));
            summaries[id].last_reading_at = at("2026-03-08T11:57:00Z");
            summaries[id].meter_register.first_at = at("2026-03-01T08:00:00Z");
            health.meters.push_back({.id = id,
                                     .last_message_at = at("2026-03-08T11:57:00Z"),
                                     .silent_since = at("2026-03-08T11:57:00Z"),
                                     .clock_disbelieved_at = {}});
        }
        sure(ledger->commit());
        health.messages_accepted = health.messages_booked = 4711;
        health.unmatched_topic = "nodes/house/odd";
        health.unmatched_at = now;
        health.turned_away = "nodes/garden/2";
        whole.emplace(parts());
        whole->news = &news;
    }

    void give_to(TenantSettings settings) {
        tenant = std::move(settings);
        own = std::make_shared<const Configuration>(configuration_for(configuration, tenant));
        api = std::make_unique<Api>(parts_for(*whole, tenant, own));
    }

    News news;
    std::optional<ApiParts> whole;
    TenantSettings tenant;
    std::shared_ptr<const Configuration> own;
};

/// Whether the text reveals a meter other than flat-1.
bool tells_of_others(const std::string& text) {
    for (const char* word : {"house", "garden", "flat-2", "staircase 2", "4711", "outside"}) {
        if (text.find(word) != std::string::npos) return true;
    }
    return false;
}

std::string target_of(const Route& route, const std::string& id) {
    std::string path(route.path);
    if (const auto place = path.find("{id}"); place != std::string::npos) path.replace(place, 4, id);
    return path;
}

}  // namespace

TEST_CASE("every call shows tenants their own meter and nothing of the others") {
    TenantFixture fixture;
    fixture.give_to(GENERATE(TenantSettings{"Flat 1", "", {"flat-1"}, ""},
                             TenantSettings{"Flat 1", "", {}, "staircase 1"}));
    std::size_t asked = 0;
    for (const Route& route : routes()) {
        CAPTURE(route.method, route.path);
        const bool is_of_alarm = route.path.starts_with("/v1/alarms/");
        for (const char* id : {"flat-1", "house", "garden", "flat-2"}) {
            if (is_of_alarm && id != std::string("flat-1")) continue;
            const auto response =
                fixture.answer(target_of(route, is_of_alarm ? "1" : id), std::string(route.method));
            ++asked;
            if (route.method != "GET") {
                CHECK(response.status == 403);
                continue;
            }
            if (response.news) continue;
            const bool is_of_meter = route.path.find("{id}") != std::string_view::npos;
            if (!is_of_meter) {
                CHECK(response.status == 200);
                if (route.path != "/v1/openapi.json") CHECK_FALSE(tells_of_others(response.body));
            } else if (id == std::string("flat-1")) {
                CHECK(response.status == 200);
                CHECK_FALSE(tells_of_others(response.body));
            } else {
                // The same as for a meter that does not exist.
                CHECK(response.status == 404);
                const auto nobody = fixture.answer(target_of(route, "nobody"));
                std::string as_of_nobody = response.body;
                as_of_nobody.replace(as_of_nobody.find(id), std::string(id).size(), "nobody");
                CHECK(as_of_nobody == nobody.body);
            }
        }
    }
    CHECK(asked > 40);
    CHECK(fixture.orders.empty());
}

TEST_CASE("a tenant's meter appears in lists, building, alarms, metrics and health") {
    TenantFixture fixture;
    fixture.give_to({"Flat 1", "", {"flat-1"}, ""});
    CHECK(fixture.document("/v1/meters").at("meters").size() == 1);
    const Json building = fixture.document("/v1/building");
    REQUIRE(building.at("meters").size() == 1);
    CHECK(building.at("meters")[0].at("name") == "Flat 1");
    CHECK(building.at("meters")[0].at("parent").is_null());
    CHECK(building.at("balances").empty());
    CHECK(fixture.document("/v1/alarms").at("alarms").size() == 1);
    CHECK(fixture.document("/v1/alarms").at("undecided").size() == 1);
    CHECK_FALSE(fixture.refusal("/v1/alarms?meter=house", 404).empty());
    CHECK_THAT(fixture.answer("/metrics").body, Catch::Contains("meter=\"flat-1\""));
    const Json health = fixture.document("/v1/health");
    CHECK(health.at("meters").size() == 1);
    CHECK(health.at("read_only") == true);
    REQUIRE(health.at("troubles").size() == 1);
    CHECK_THAT(health.at("troubles")[0].get<std::string>(), Catch::Contains("flat-1"));
    // The page and its parts are the same for all.
    CHECK(fixture.answer("/").status == 200);
    CHECK(fixture.answer("/page/app.js").status == 200);
}

TEST_CASE("a tenant of several meters sees them all, and a parent meter only if it is the tenant's own") {
    TenantFixture fixture;
    fixture.give_to({"Caretaker", "", {"house", "flat-2"}, ""});
    const Json building = fixture.document("/v1/building");
    REQUIRE(building.at("meters").size() == 2);
    CHECK(building.at("meters")[1].at("parent") == "house");
    const Json usage = fixture.document("/v1/usage");
    REQUIRE(usage.at("meters").size() == 2);
    CHECK(usage.at("meters")[1].at("meter") == "flat-2");
    // A group without a meter of the tenant does not exist for the tenant.
    CHECK(fixture.document("/v1/usage?group=staircase%202").at("meters").size() == 1);
    CHECK_FALSE(fixture.refusal("/v1/usage?group=staircase%201", 404).empty());
    CHECK(fixture.document("/v1/meters/house/usage").at("meter") == "house");
    CHECK_FALSE(fixture.refusal("/v1/meters/flat-1/usage", 404).empty());
}

TEST_CASE("a tenant's stream carries readings and alarms of the tenant's meter only") {
    TenantFixture fixture;
    fixture.give_to({"Flat 1", "", {"flat-1"}, ""});
    CHECK_FALSE(fixture.refusal("/v1/stream?meter=house", 404).empty());
    const auto response = fixture.answer("/v1/stream");
    REQUIRE(response.news);
    std::vector<MeterPublication> heard;
    for (const char* id : {"house", "flat-1", "garden", "flat-2"}) {
        for (const auto kind : {MeterPublication::Kind::now, MeterPublication::Kind::alarm}) {
            MeterPublication one;
            one.meter = id;
            one.kind = kind;
            one.payload = std::string(R"({"meter":")") + id + "\"}";
            heard.push_back(std::move(one));
        }
    }
    fixture.news.hear(heard);
    std::string text;
    sure(response.news(text));
    CHECK_THAT(text, Catch::Contains("event: reading\ndata: {\"meter\":\"flat-1\"") &&
                         Catch::Contains("event: alarm"));
    CHECK_FALSE(tells_of_others(text));
}

TEST_CASE("a token identifies its tenant, as bearer or as password, and an unknown token nobody") {
    const std::vector<TenantToken> tenants{{"Flat 1", "0123456789abcdef"}, {"Flat 2", "fedcba9876543210"}};
    REQUIRE(tenant_shown("Bearer fedcba9876543210", tenants));
    CHECK(tenant_shown("Bearer fedcba9876543210", tenants)->tenant == "Flat 2");
    // "x:0123456789abcdef" in base64.
    REQUIRE(tenant_shown("Basic eDowMTIzNDU2Nzg5YWJjZGVm", tenants));
    CHECK(tenant_shown("Basic eDowMTIzNDU2Nzg5YWJjZGVm", tenants)->tenant == "Flat 1");
    for (const char* wrong : {"", "Bearer", "Bearer 0123456789abcde", "Basic", "Digest 0123456789abcdef"})
        CHECK(tenant_shown(wrong, tenants) == nullptr);
    CHECK(tenant_shown("Bearer ", {}) == nullptr);
}
