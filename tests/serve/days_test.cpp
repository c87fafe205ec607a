// Today compared with a usual day, and the nights.
#include <catch2/catch.hpp>

#include "serve/api_fixture.hpp"

namespace tickledger {
namespace {

using std::chrono::hours;
using std::chrono::minutes;
using test::ApiFixture;
using test::at;
using test::sure;
using Json = nlohmann::ordered_json;

void put_day(ApiFixture& fixture, MeterKey meter, const std::string& date, std::int64_t ticks,
             Duration covered = hours{24}) {
    sure(fixture.ledger->put_row({meter, Step::day, at(date + "T00:00:00Z")}, Row{ticks, covered, 0, 0}));
}

void put_hour(ApiFixture& fixture, MeterKey meter, const std::string& time, std::int64_t ticks) {
    sure(fixture.ledger->put_row({meter, Step::hour, at(time + ":00:00Z")}, Row{ticks, hours{1}, 0, 0}));
}

void add_span(ApiFixture& fixture, MeterKey meter, std::string_view from, std::string_view to,
              std::int64_t ticks, EntryKind kind = EntryKind::measured,
              std::optional<std::uint64_t> unseen_max = {}) {
    Entry entry;
    entry.span = {at(from), at(to)};
    entry.ticks = ticks;
    entry.kind = kind;
    entry.unseen_max = unseen_max;
    sure(fixture.ledger->add_entry(meter, entry));
}

}  // namespace

TEST_CASE("today is shown with yesterday and the median of the days that were seen nearly whole") {
    ApiFixture fixture;
    fixture.now = at("2026-03-08T12:30:00Z");
    sure(fixture.ledger->begin());
    const MeterKey house = fixture.meter("house");
    put_day(fixture, house, "2026-03-03", 9'999, hours{20});  // Too much of it is missing.
    put_day(fixture, house, "2026-03-04", 100);
    put_day(fixture, house, "2026-03-05", 140, hours{23});
    put_day(fixture, house, "2026-03-06", 120);
    put_day(fixture, house, "2026-03-07", 301);
    put_day(fixture, house, "2026-03-08", 52, hours{12});
    put_day(fixture, house, "2026-02-07", 1'000'000);  // More than 28 days ago.
    put_hour(fixture, house, "2026-03-04T12", 10);     // Half of it before 12:30.
    put_hour(fixture, house, "2026-03-05T01", 20);
    put_hour(fixture, house, "2026-03-06T12", 60);
    put_hour(fixture, house, "2026-03-06T13", 60);
    sure(fixture.ledger->commit());
    MeterSummary& summary = fixture.summaries["house"];
    summary.last_span = Span{at("2026-03-08T12:27:00Z"), at("2026-03-08T12:30:00Z")};
    summary.last_span_ticks = 24;
    summary.flow_l_per_h = 480;
    summary.still_since = at("2026-03-08T11:00:00Z");

    const Json document = fixture.document("/v1/meters/house/today");
    CHECK(document.at("meter") == "house");
    CHECK(document.at("time") == "2026-03-08T12:30:00+00:00");
    CHECK(document.at("today").at("volume_l") == 52);
    CHECK(document.at("today").at("covered_s") == 12 * 3600);
    CHECK(document.at("yesterday").at("from") == "2026-03-07T00:00:00+00:00");
    CHECK(document.at("yesterday").at("ticks") == 301);
    CHECK(document.at("usual") ==
          Json{{"days", 4}, {"volume_l", 130.0}, {"low_l", 120.0}, {"high_l", 140.0}, {"until_now_l", 12.5}});
    CHECK(document.at("last_span") == Json{{"from", "2026-03-08T12:27:00+00:00"},
                                           {"to", "2026-03-08T12:30:00+00:00"},
                                           {"ticks", 24},
                                           {"flow_l_per_h", 480.0},
                                           {"flow_known", true},
                                           {"flow_age_s", 0},
                                           {"still_since", "2026-03-08T11:00:00+00:00"}});
}

TEST_CASE("fewer than three days give no usual day, and without a reading nothing is known") {
    ApiFixture fixture;
    sure(fixture.ledger->begin());
    const MeterKey house = fixture.meter("house");
    put_day(fixture, house, "2026-03-06", 0);
    put_day(fixture, house, "2026-03-07", 0);
    sure(fixture.ledger->commit());
    CHECK(fixture.document("/v1/meters/house/today").at("usual").is_null());
    const Json garden = fixture.document("/v1/meters/garden/today");
    CHECK(garden.at("today").at("volume_l").is_null());
    CHECK(garden.at("yesterday").at("ticks").is_null());
    CHECK(garden.at("last_span").is_null());
    CHECK(garden.at("usual").is_null());
    CHECK(fixture.refusal("/v1/meters/barn/today", 404).find("barn") != std::string::npos);
}

TEST_CASE("a day includes the water that may have run unseen in it") {
    ApiFixture fixture;
    sure(fixture.ledger->begin());
    const MeterKey garden = fixture.meter("garden");
    add_span(fixture, garden, "2026-03-08T07:00:00Z", "2026-03-08T07:20:00Z", 1, EntryKind::restart, 30);
    add_span(fixture, garden, "2026-03-08T08:00:00Z", "2026-03-08T08:20:00Z", 2, EntryKind::restart, 60);
    sure(fixture.ledger->commit());
    const Json document = fixture.document("/v1/meters/garden/today");
    CHECK(document.at("today").at("unseen_ticks_max") == 90);
    CHECK(document.at("today").at("unseen_l_max") == 30.0);  // A tick is a third of a litre.
    CHECK(document.at("yesterday").at("unseen_ticks_max") == 0);
}

namespace {

/// Nights from 01:00 to 05:00 UTC (the zone's winter time), in spans of ten minutes.
struct NightsFixture : ApiFixture {
    NightsFixture() {
        now = at("2026-03-04T03:00:00Z");
        sure(ledger->begin());
        const MeterKey house = meter("house");
        // A still night with one draw; a night with a tick in every span; one with a gap; one that has not
        // ended.
        fill(house, at("2026-03-01T00:00:00Z"), at("2026-03-01T06:00:00Z"),
             [](int i) { return i == 12 ? 5 : 0; });
        fill(house, at("2026-03-02T00:00:00Z"), at("2026-03-02T06:00:00Z"), [](int) { return 1; });
        fill(house, at("2026-03-03T00:00:00Z"), at("2026-03-03T02:00:00Z"), [](int) { return 1; });
        fill(house, at("2026-03-03T04:00:00Z"), at("2026-03-03T06:00:00Z"), [](int) { return 1; });
        fill(house, at("2026-03-04T01:00:00Z"), at("2026-03-04T02:00:00Z"), [](int) { return 1; });
        sure(ledger->commit());
    }

    void fill(MeterKey meter, Instant from, Instant to, const std::function<int(int)>& ticks) {
        for (int i = 0; from < to; ++i, from += minutes{10}) {
            Entry entry;
            entry.span = {from, from + minutes{10}};
            entry.ticks = ticks(i);
            sure(ledger->add_entry(meter, entry));
        }
    }
};

}  // namespace

TEST_CASE("a night lists its stretches of still water and of flow, and gives a verdict") {
    const NightsFixture fixture;
    const Json document = fixture.document("/v1/meters/house/nights?from=2026-03-01&to=2026-03-05");
    CHECK(document.at("still_for_s") == 1800);
    const Json& nights = document.at("nights");
    REQUIRE(nights.size() == 4);
    const auto stretch = [](const std::string& from, const std::string& to, const std::string& state) {
        return Json{{"from", "2026-03-0" + from + ":00+00:00"},
                    {"to", "2026-03-0" + to + ":00+00:00"},
                    {"state", state}};
    };

    const Json& still = nights[0];
    CHECK(still.at("from") == "2026-03-01T01:00:00+00:00");
    CHECK(still.at("to") == "2026-03-01T05:00:00+00:00");
    CHECK(still.at("verdict") == "still");
    CHECK(still.at("longest_still") ==
          Json{{"from", "2026-03-01T02:10:00+00:00"}, {"to", "2026-03-01T05:00:00+00:00"}});
    CHECK(still.at("ticks") == 5);
    CHECK(still.at("volume_l") == 5.0);
    CHECK(still.at("stretches") ==
          Json::array({stretch("1T01:00", "1T02:00", "still"), stretch("1T02:00", "1T02:10", "flow"),
                       stretch("1T02:10", "1T05:00", "still")}));

    CHECK(nights[1].at("verdict") == "flow");
    CHECK(nights[1].at("longest_still").is_null());
    CHECK(nights[1].at("ticks") == 24);
    CHECK(nights[1].at("stretches") == Json::array({stretch("2T01:00", "2T05:00", "flow")}));

    CHECK(nights[2].at("verdict") == "undecided");
    CHECK(nights[2].at("stretches") ==
          Json::array({stretch("3T01:00", "3T02:00", "flow"), stretch("3T02:00", "3T04:00", "unclear"),
                       stretch("3T04:00", "3T05:00", "flow")}));

    // It has not ended, and no stretch covers the time to come.
    CHECK(nights[3].at("verdict") == "open");
    CHECK(nights[3].at("stretches") ==
          Json::array({stretch("4T01:00", "4T02:00", "flow"), stretch("4T02:00", "4T03:00", "unclear")}));
}

TEST_CASE("nights of a meter without readings are undecided, and a request for too many nights is refused") {
    const NightsFixture fixture;
    const Json nights = fixture.document("/v1/meters/garden/nights").at("nights");
    REQUIRE(nights.size() == 15);
    CHECK(nights[0].at("verdict") == "undecided");
    // Nothing was seen, which is not the same as no water.
    CHECK(nights[0].at("ticks").is_null());
    CHECK(nights[0].at("volume_l").is_null());
    CHECK(nights[0].at("stretches").size() == 1);
    CHECK(nights[0].at("stretches")[0].at("state") == "unclear");
    CHECK(fixture.refusal("/v1/meters/house/nights?from=2025-01-01&to=2026-01-01", 400).find("62 days") !=
          std::string::npos);
}

TEST_CASE("a night before the first reading had zero litres, and so had one inside a longer span") {
    ApiFixture fixture;
    fixture.now = at("2026-03-05T12:00:00Z");
    sure(fixture.ledger->begin());
    const MeterKey house = fixture.meter("house");
    add_span(fixture, house, "2026-03-02T00:00:00Z", "2026-03-02T12:00:00Z", 0);
    add_span(fixture, house, "2026-03-02T12:00:00Z", "2026-03-03T12:00:00Z", 9);
    add_span(fixture, house, "2026-03-03T12:00:00Z", "2026-03-04T04:00:00Z", 9);
    sure(fixture.ledger->commit());
    const Json nights =
        fixture.document("/v1/meters/house/nights?from=2026-03-01&to=2026-03-05").at("nights");
    REQUIRE(nights.size() == 4);
    CHECK(nights[0].at("ticks").is_null());
    CHECK(nights[1].at("ticks") == 0);
    CHECK(nights[1].at("volume_l") == 0.0);
    CHECK(nights[2].at("ticks").is_null());
    CHECK(nights[3].at("ticks") == 9);
}

TEST_CASE("a long span with ticks, a restart and a lost span prove neither flow nor stillness") {
    ApiFixture fixture;
    fixture.now = at("2026-03-01T12:00:00Z");
    sure(fixture.ledger->begin());
    const MeterKey house = fixture.meter("house");
    add_span(fixture, house, "2026-03-01T01:00:00Z", "2026-03-01T02:00:00Z", 3);
    add_span(fixture, house, "2026-03-01T02:00:00Z", "2026-03-01T03:00:00Z", 0, EntryKind::restart);
    add_span(fixture, house, "2026-03-01T03:00:00Z", "2026-03-01T04:00:00Z", 0, EntryKind::lost);
    add_span(fixture, house, "2026-03-01T04:00:00Z", "2026-03-01T05:00:00Z", 0);
    sure(fixture.ledger->commit());
    const Json night = fixture.document("/v1/meters/house/nights?from=2026-03-01").at("nights")[0];
    REQUIRE(night.at("stretches").size() == 2);
    CHECK(night.at("stretches")[0].at("state") == "unclear");
    CHECK(night.at("stretches")[1].at("from") == "2026-03-01T04:00:00+00:00");
    CHECK(night.at("verdict") == "still");
}

}  // namespace tickledger
