// GET …/usage: rows, their volumes and their cost.
#include <catch2/catch.hpp>
#include <filesystem>

#include "serve/api_fixture.hpp"

namespace tickledger {
namespace {

using test::ApiFixture;
using test::at;
using test::mentions;
using test::sure;
using Json = nlohmann::ordered_json;

TEST_CASE("usage shows the rows that begin in the range, and null for unknown values") {
    ApiFixture fixture;
    sure(fixture.ledger->begin());
    const MeterKey house = fixture.meter("house");
    sure(fixture.ledger->put_row({house, Step::day, at("2026-03-01T00:00:00Z")},
                                 Row{120, std::chrono::milliseconds{3'600'999}, 7, 2}));
    sure(fixture.ledger->put_row({house, Step::day, at("2026-03-02T00:00:00Z")},
                                 Row{0, std::chrono::hours{24}, 0, 0}));
    sure(fixture.ledger->commit());

    const Json usage = fixture.document("/v1/meters/house/usage?from=2026-03-01&to=2026-03-04");
    CHECK(usage.at("meter") == "house");
    CHECK(usage.at("timezone") == "Europe/Lisbon");
    CHECK(usage.at("step") == "day");
    const Json& rows = usage.at("rows");
    REQUIRE(rows.size() == 3);
    CHECK(
        rows[0].dump() ==
        R"({"from":"2026-03-01T00:00:00+00:00","to":"2026-03-02T00:00:00+00:00","ticks":120,"volume_l":120.0,"covered_s":3600,"spread_ticks":7,"revision":2})");
    CHECK(rows[1].at("ticks") == 0);
    CHECK(rows[1].at("volume_l") == 0);
    CHECK(rows[2].at("ticks").is_null());
    CHECK(rows[2].at("volume_l").is_null());
    CHECK(rows[2].at("covered_s") == 0);
    CHECK(rows[2].at("spread_ticks") == 0);
    CHECK(rows[2].at("revision") == 0);
}

TEST_CASE("a volume is the exact decimal, rounded half to even") {
    ApiFixture fixture;
    sure(fixture.ledger->begin());
    const MeterKey garden = fixture.meter("garden");
    sure(fixture.ledger->put_row({garden, Step::day, at("2026-03-01T00:00:00Z")}, Row{2, {}, 0, 0}));
    sure(fixture.ledger->commit());
    const std::string target = "/v1/meters/garden/usage?from=2026-03-01&to=2026-03-02";
    CHECK(mentions(fixture.answer(target).body, "\"ticks\":2,\"volume_l\":0.667,"));
    fixture.configuration.meters[1].pulse_value_l = {
        1, 4000};  // 2 ticks: 0.0005 L, exactly between 0.000 and 0.001.
    CHECK(mentions(fixture.answer(target).body, "\"volume_l\":0.000,"));
}

TEST_CASE("rows with their cost reproduce a published bill, and follow price changes within a row") {
    // Bournemouth Water, "How is my metered bill calculated?" (charges from 1 April 2020): 45 m3 in 90 days,
    // 45 x 1.0685 + 28.76 / 365 x 90 = 48.08 + 7.09 = 55.17.
    ApiFixture fixture;
    auto& tariff = fixture.configuration.tariff;
    tariff.currency = "GBP";
    const date::sys_days april_1{date::year{2020} / 4 / 1};
    tariff.price_per_m3 = {{april_1, {10685, 10000}}};
    tariff.standing_charge_per_day = {{april_1, {2876, 36500}}};
    const CivilZone zone = sure(CivilZone::find("Europe/Lisbon"));
    sure(fixture.ledger->begin());
    const MeterKey house = fixture.meter("house");
    std::map<Instant, std::int64_t> months;
    for (int i = 0; i < 90; ++i) {
        const Instant begin = zone.start_of(date::year_month_day{april_1 + date::days{i}});
        sure(fixture.ledger->put_row({house, Step::day, begin}, Row{500, std::chrono::hours{24}, 0, 0}));
        months[zone.row_at(Step::month, {}, begin).from] += 500;
    }
    for (const auto& [begin, ticks] : months)
        sure(fixture.ledger->put_row({house, Step::month, begin}, Row{ticks, std::chrono::hours{24}, 0, 0}));
    sure(fixture.ledger->commit());
    const auto rows = [&](const std::string& query) {
        return fixture.document("/v1/meters/house/usage?cost=true&" + query).at("rows");
    };
    double bill = 0;
    for (const Json& row : rows("step=day&from=2020-04-01&to=2020-06-30"))
        bill += row.at("cost").get<double>();
    // Each of the ninety rows is rounded to four digits.
    CHECK(bill == Approx(55.17).margin(0.005));
    // April has 30 days and 15 m3: 16.0275 + 2.36384, by hand.
    CHECK(rows("step=month&from=2020-04-01&to=2020-05-01")[0].at("cost") == 18.3913);
    // Another price from the 16th on, computed by hand: 7.5 x 1.0685 + 7.5 x 2 + 2.36384.
    tariff.price_per_m3.push_back({april_1 + date::days{15}, {2, 1}});
    CHECK(rows("step=month&from=2020-04-01&to=2020-05-01")[0].at("cost") == 25.3776);
    // Without a price or without data there is no cost.
    CHECK(rows("step=month&from=2020-03-01&to=2020-04-01")[0].at("cost").is_null());
    CHECK(rows("step=day&from=2020-08-01&to=2020-08-02")[0].at("cost").is_null());
    CHECK_FALSE(fixture.document("/v1/meters/house/usage").contains("currency"));
    CHECK(mentions(fixture.refusal("/v1/meters/house/usage?cost=yes", 400), "true or false"));
    tariff.price_per_m3.clear();
    CHECK(mentions(fixture.refusal("/v1/meters/house/usage?cost=true", 400), "price_per_m3"));
}

TEST_CASE("hours follow the changes to and from summer time") {
    ApiFixture fixture;
    // IANA zone data via zdump: Lisbon goes forward on 2026-03-29 at 01:00 and back on 2026-10-25 at 02:00.
    const auto rows = [&](const char* day, const char* next) {
        return fixture.document("/v1/meters/house/usage?step=hour&from=" + std::string(day) + "&to=" + next)
            .at("rows");
    };
    CHECK(rows("2026-03-29", "2026-03-30").size() == 23);
    CHECK(rows("2026-10-25", "2026-10-26").size() == 25);
    CHECK(rows("2026-10-24", "2026-10-25").size() == 24);
}

TEST_CASE("without a range, usage shows a default range for the step") {
    ApiFixture fixture;
    sure(fixture.ledger->begin());
    fixture.add(fixture.meter("house"), "08:00", "08:03", 1);
    sure(fixture.ledger->commit());
    const auto rows = [&](const std::string& query) {
        return fixture.document("/v1/meters/house/usage" + query).at("rows");
    };
    CHECK(rows("").size() == 7);
    CHECK(rows("").front().at("from") == "2026-03-02T00:00:00+00:00");
    CHECK(rows("").back().at("from") == "2026-03-08T00:00:00+00:00");
    CHECK(rows("?step=interval").size() == 96);
    CHECK(rows("?step=interval").front().at("from") == "2026-03-08T00:00:00+00:00");
    CHECK(rows("?step=hour").size() == 24);
    CHECK(rows("?step=month").size() == 3);
    CHECK(rows("?step=year").size() == 1);
    CHECK(rows("?step=year").front().at("from") == "2026-01-01T00:00:00+00:00");
    CHECK(rows("?to=2026-03-03").back().at("from") == "2026-03-02T00:00:00+00:00");
    CHECK(rows("?to=2026-03-03").size() == 7);
    CHECK(rows("?from=2026-03-06").size() == 3);
}

TEST_CASE("any number of rows is sent, part by part") {
    ApiFixture fixture;
    const Json rows =
        fixture.document("/v1/meters/house/usage?step=interval&from=2026-01-01&to=2026-02-01").at("rows");
    REQUIRE(rows.size() == 31 * 96);
    for (std::size_t i = 1; i < rows.size(); ++i)
        REQUIRE(rows[i].at("from") == rows[i - 1].at("to"));
}

/// Daily rows on the first days of March for the house, the garden and two flats in a group.
void add_days_of_a_building(ApiFixture& fixture) {
    fixture.configuration.names = {{.name = "Main meter", .group = "", .parent = ""},
                                   {.name = "", .group = "outside", .parent = "house"},
                                   {.name = "Flat {1}", .group = "flats", .parent = "house"}};
    sure(fixture.ledger->begin());
    std::int64_t ticks = 1;
    for (const char* id : {"house", "garden", "flat-1", "flat-2"}) {
        const MeterKey key = fixture.meter(id);
        fixture.add(key, "08:00", "08:03", ticks);
        for (const char* day : {"2026-03-01T00:00:00Z", "2026-03-02T00:00:00Z"})
            sure(fixture.ledger->put_row({key, Step::day, at(day)}, Row{ticks++, {}, 0, 0}));
    }
    sure(fixture.ledger->commit());
}

TEST_CASE("the usage of all meters joins the answers of each meter's own call, byte for byte") {
    ApiFixture fixture;
    add_days_of_a_building(fixture);
    fixture.configuration.tariff.currency = "EUR";
    fixture.configuration.tariff.price_per_m3 = {{date::sys_days{date::year{2020} / 1 / 1}, {2, 1}}};
    for (const char* query : {"", "?step=year", "?step=interval&to=2026-03-02", "?cost=true&from=2026-02-01",
                              "?step=hour&from=2026-03-01&to=2026-03-03"}) {
        CAPTURE(query);
        std::string list;
        for (const char* id : {"house", "garden", "flat-1", "flat-2"}) {
            std::string one = fixture.answer(std::string("/v1/meters/") + id + "/usage" + query).body;
            one.pop_back();
            list += (list.empty() ? "" : ",") + one;
        }
        fixture.caught_up = 0;
        CHECK(fixture.answer(std::string("/v1/usage") + query).body == "{\"meters\":[" + list + "]}\n");
        CHECK(fixture.caught_up == 1);
    }
}

TEST_CASE("the usage of a group has only its meters, and a group without meters is refused") {
    ApiFixture fixture;
    add_days_of_a_building(fixture);
    const Json flats = fixture.document("/v1/usage?group=flats&from=2026-03-01&to=2026-03-03").at("meters");
    REQUIRE(flats.size() == 2);
    CHECK(flats[0].at("meter") == "flat-1");
    CHECK(flats[1].at("rows")[1].at("ticks") == 8);
    CHECK(fixture.document("/v1/usage?group=outside").at("meters").size() == 1);
    CHECK(mentions(fixture.refusal("/v1/usage?group=cellar", 404), "\"cellar\""));
}

TEST_CASE("an empty group was answered with the meters that have no group") {
    ApiFixture fixture;
    add_days_of_a_building(fixture);
    CHECK(mentions(fixture.refusal("/v1/usage?group=", 404), "no meter in the group \"\""));
}

TEST_CASE("the usage of all meters is refused before it begins if that of one meter would be refused") {
    ApiFixture fixture;
    add_days_of_a_building(fixture);
    CHECK(mentions(fixture.refusal("/v1/usage?step=week", 400), "interval, hour, day, month or year"));
    CHECK(mentions(fixture.refusal("/v1/usage?from=2026-03-02&to=2026-03-02", 400), "empty"));
    CHECK(mentions(fixture.refusal("/v1/usage?cost=true", 400), "price_per_m3"));
    // Only one meter has too many rows: the last one.
    fixture.configuration.meters[2].interval = std::chrono::minutes{1};
    const std::string two_months = "step=interval&from=2026-01-01&to=2026-03-20";
    CHECK(mentions(fixture.refusal("/v1/usage?" + two_months, 400), "100000"));
    CHECK(mentions(fixture.refusal("/v1/meters/flat-2/usage?" + two_months, 400), "100000"));
    fixture.configuration.meters[2].interval = std::chrono::minutes{15};
    CHECK(fixture.answer("/v1/usage?" + two_months).status == 200);
}

TEST_CASE("the usage of many meters is written in parts of bounded size") {
    ApiFixture fixture;
    add_days_of_a_building(fixture);
    const Request request = sure(read_target("/v1/usage?step=interval&from=2026-01-01&to=2026-02-01"));
    const Response response = fixture.api->handle(request);
    REQUIRE(response.chunks);
    std::size_t parts = 0;
    for (bool is_more = true; is_more; ++parts) {
        std::string part;
        is_more = sure(response.chunks(part));
        // 500 rows of 160 bytes, and the text around them.
        CHECK(part.size() < 100'000);
    }
    CHECK(parts >= 4 * 31 * 96 / 500);
}

TEST_CASE("points of a range relative to now follow the site's calendar") {
    ApiFixture fixture;
    // In Lisbon it is already the first of July, 00:30: the zone is an hour ahead in summer (IANA zone data).
    fixture.now = at("2026-06-30T23:30:00Z");
    const auto rows = [&](const std::string& query) {
        return fixture.document("/v1/meters/house/usage?" + query).at("rows");
    };
    const auto first = [&](const std::string& query) {
        return rows(query).front().at("from").get<std::string>();
    };
    CHECK(first("from=today&to=today%2B1d") == "2026-07-01T00:00:00+01:00");
    CHECK(rows("from=today&to=today+1d").size() == 1);
    CHECK(rows("step=hour&from=today-1d&to=today").size() == 24);
    CHECK(first("from=today-6d") == "2026-06-25T00:00:00+01:00");
    CHECK(rows("from=today-6d&to=today+1d").size() == 7);
    CHECK(first("from=today-2w") == "2026-06-17T00:00:00+01:00");
    CHECK(first("step=hour&from=now-90min&to=now") == "2026-06-30T23:00:00+01:00");
    CHECK(rows("step=hour&from=now-24h&to=now").size() == 24);
    // 1 July 2026 is a Wednesday (ISO 8601: the third day of its week).
    CHECK(first("from=monday") == "2026-06-29T00:00:00+01:00");
    CHECK(first("from=monday-3w") == "2026-06-08T00:00:00+01:00");
    // If the range has an end, the week is the one of that end.
    CHECK(first("from=monday-3w&to=2026-03-08") == "2026-02-09T00:00:00+00:00");
    CHECK(first("from=monday&to=today-1w") == "2026-06-22T00:00:00+01:00");
    // The clock goes forward on the night of 29 March. Days are calendar days, hours are elapsed time.
    fixture.now = at("2026-03-29T12:00:00Z");
    CHECK(first("from=today-1d") == "2026-03-28T00:00:00+00:00");
    CHECK(first("step=hour&from=now-1d&to=now") == "2026-03-28T12:00:00+00:00");
    CHECK(rows("step=hour&from=today&to=today+1d").size() == 23);
}

TEST_CASE("an invalid point of a range is refused with a valid example") {
    const ApiFixture fixture;
    for (const char* point :
         {"tomorrow", "today-", "today-6", "today-6x", "today-90min", "now--1d", "now+-1d", "today-6d-1d",
          "monday-36h", "now-99999999d", "today-9999999999w", "Today", "now_1d"}) {
        CAPTURE(point);
        CHECK(mentions(fixture.refusal(std::string("/v1/meters/house/usage?from=") + point, 400),
                       "2026-03-01"));
    }
    CHECK(fixture.refusal("/v1/meters/house/usage?from=may", 400) ==
          "The query parameter \"from\" is \"may\". Give a date like 2026-03-01, a time like "
          "2026-03-01T08:00:00+01:00, or now, today or monday, alone or as in today-6d.");
}

TEST_CASE("a ledger that fails while usage is sent is reported in the store's words, not in a document") {
    ApiFixture fixture;
    add_days_of_a_building(fixture);
    const auto ask = [&](const ApiParts& parts, const char* target) {
        fixture.api = std::make_unique<Api>(parts);
        return fixture.api->handle(sure(read_target(target)));
    };
    std::string text;
    SECTION("it is removed between two parts") {
        fixture.snapshot_longest = Duration{0};
        const auto response =
            ask(fixture.parts(), "/v1/meters/flat-2/usage?step=interval&from=2026-01-01&to=2026-02-01");
        REQUIRE(sure(response.chunks(text)));
        std::filesystem::remove(fixture.file);
        const auto more = response.chunks(text);
        REQUIRE_FALSE(more);
        CHECK_THAT(more.error().text, Catch::Contains(fixture.file.string()) && !Catch::Contains("{"));
    }
    SECTION("the memory of a meter is damaged") {
        ApiParts parts = fixture.parts();
        parts.summarise = [](const MeterRecord&, const MeterSettings&) -> Result<MeterSummary> {
            return fail("The memory is damaged.");
        };
        const auto more = ask(parts, "/v1/usage").chunks(text);
        REQUIRE_FALSE(more);
        CHECK(more.error().text == "The memory is damaged.");
    }
}

}  // namespace
}  // namespace tickledger
