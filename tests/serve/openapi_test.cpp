// The OpenAPI document against the routing table and the answers.
#include <catch2/catch.hpp>
#include <cctype>
#include <set>

#include "serve/api_fixture.hpp"

namespace tickledger {
namespace {

using test::ApiFixture;
using test::at;
using test::mentions;
using test::sure;
using Json = nlohmann::ordered_json;

TEST_CASE("the OpenAPI document and the routing table agree") {
    const ApiFixture fixture;
    const Json document = fixture.document("/v1/openapi.json");
    CHECK(document.at("openapi").get<std::string>().starts_with("3.1."));
    CHECK_FALSE(mentions(document.at("info").at("version"), "@"));
    std::set<std::string> described;
    for (const auto& [path, item] : document.at("paths").items()) {
        for (const auto& [method, operation] : item.items()) {
            std::string call = method + " " + path + "?";
            std::set<std::string> names;
            for (const Json& parameter : operation.value("parameters", Json::array())) {
                if (parameter.at("in") == "query") names.insert(parameter.at("name").get<std::string>());
            }
            for (const auto& name : names)
                call += name + "&";
            described.insert(call);
            CHECK(operation.at("responses").contains("200"));
        }
    }
    std::set<std::string> routed;
    for (const Route& route : routes()) {
        std::string call;
        for (const char c : route.method)
            call += static_cast<char>(std::tolower(c));
        call += " " + std::string(route.path) + "?";
        for (const auto& name :
             std::set<std::string_view>(route.parameters.begin(), route.parameters.end())) {
            call += std::string(name) + "&";
        }
        routed.insert(call);
    }
    CHECK(described == routed);
}

// Every "$ref" has a target, and every answer has exactly the members that its schema names.
void check_references(const Json& document, const Json& part) {
    if (part.is_object() && part.contains("$ref")) {
        const auto pointer = part.at("$ref").get<std::string>();
        CAPTURE(pointer);
        REQUIRE(pointer.starts_with("#/"));
        CHECK(document.contains(Json::json_pointer(pointer.substr(1))));
    }
    if (part.is_structured()) {
        for (const Json& inner : part)
            check_references(document, inner);
    }
}

void check_shape(const Json& document, const Json& schema, const Json& value) {
    if (schema.contains("$ref")) {
        return check_shape(
            document, document.at(Json::json_pointer(schema.at("$ref").get<std::string>().substr(1))), value);
    }
    if (value.is_array()) {
        for (const Json& item : value)
            check_shape(document, schema.at("items"), item);
        return;
    }
    if (!value.is_object() || !schema.contains("properties")) return;
    CAPTURE(value.dump());
    for (const Json& name : schema.at("required"))
        CHECK(value.contains(name.get<std::string>()));
    for (const auto& [name, inner] : value.items()) {
        CAPTURE(name);
        REQUIRE(schema.at("properties").contains(name));
        check_shape(document, schema.at("properties").at(name), inner);
    }
}

TEST_CASE("answers have the shapes that the OpenAPI document describes") {
    ApiFixture fixture;
    sure(fixture.ledger->begin());
    const MeterKey house = fixture.meter("house");
    fixture.add(house, "08:00", "08:03", 3);
    sure(fixture.ledger->put_row({house, Step::day, at("2026-03-08T00:00:00Z")}, Row{1, {}, 0, 0}));
    Alarm alarm;
    alarm.raised_at = at("2026-03-02T05:00:00Z");
    sure(fixture.ledger->put_alarm(house, alarm));
    sure(
        fixture.ledger->add_undecided(house, AlarmKind::night_flow, {alarm.raised_at, alarm.raised_at}, "?"));
    sure(fixture.ledger->add_refused({house, at("2026-03-01T08:01:00Z"), Refusal::stray, "t", "p", "w"}));
    sure(fixture.ledger->commit());
    sure(fixture.ledger->begin());
    RegisterReading reading;
    reading.at = at("2026-03-01T08:03:00Z");
    reading.register_ul = 12'000'000;
    reading.adjusted_from = at("2026-03-01T08:00:00Z");
    reading.adjustment_ticks = 9;
    sure(fixture.ledger->put_register_reading(house, reading));
    sure(fixture.ledger->commit());
    fixture.summaries["house"].last_reading_at = at("2026-03-01T08:03:00Z");
    fixture.health.meters = {{"house", {}, {}, {}}};

    const Json document = fixture.document("/v1/openapi.json");
    check_references(document, document);
    const auto schema = [&](const std::string& path, const std::string& method = "get") {
        return document.at("paths")
            .at(path)
            .at(method)
            .at("responses")
            .at("200")
            .at("content")
            .at("application/json")
            .at("schema");
    };
    check_shape(document, schema("/v1/meters"), fixture.document("/v1/meters"));
    check_shape(document, schema("/v1/building"), fixture.document("/v1/building"));
    check_shape(document, schema("/v1/usage"), fixture.document("/v1/usage"));
    check_shape(document, schema("/v1/meters/{id}/usage"), fixture.document("/v1/meters/house/usage"));
    check_shape(document, schema("/v1/meters/{id}/today"), fixture.document("/v1/meters/house/today"));
    check_shape(document, schema("/v1/meters/{id}/nights"), fixture.document("/v1/meters/house/nights"));
    check_shape(document, schema("/v1/meters/{id}/ledger"),
                fixture.document("/v1/meters/house/ledger?from=2026-03-01"));
    check_shape(document, schema("/v1/meters/{id}/register"), fixture.document("/v1/meters/house/register"));
    check_shape(document, schema("/v1/meters/{id}/register"), fixture.document("/v1/meters/garden/register"));
    check_shape(document, schema("/v1/alarms"), fixture.document("/v1/alarms"));
    check_shape(document, schema("/v1/alarms/{id}/acknowledge", "post"),
                Json::parse(fixture.answer("/v1/alarms/1/acknowledge", "POST").body));
    fixture.on_order = [&] { fixture.summaries["house"].away = ToldAway{}; };
    check_shape(document, schema("/v1/meters/{id}/away", "delete"),
                Json::parse(fixture.answer("/v1/meters/house/away", "DELETE").body));
    check_shape(document, schema("/v1/health"), fixture.document("/v1/health"));
    check_shape(document, schema("/v1/clock"), fixture.document("/v1/clock"));
}

}  // namespace
}  // namespace tickledger
