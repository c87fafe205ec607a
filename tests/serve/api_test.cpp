#include "serve/api.hpp"

#include <catch2/catch.hpp>
#include <set>

#include "serve/api_fixture.hpp"
#include "serve/meter_facts.hpp"

namespace tickledger {
namespace {

using test::ApiFixture;
using test::at;
using test::sure;
using Json = nlohmann::ordered_json;

bool mentions(const std::string& text, const std::string& part) {
    return text.find(part) != std::string::npos;
}

TEST_CASE("meters are listed in the order of the configuration, those of patterns once they exist") {
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
    CHECK(meters[2].at("id") == "flat-10");
    CHECK(meters[3].at("id") == "flat-9");
    CHECK(fixture.caught_up == 1);
}

TEST_CASE("meters are told with the names that people gave, those of patterns with what the topic gave") {
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

TEST_CASE("a flow of thirteen minutes ago at a cadence of three was told as the flow of now") {
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
    // A clock that was set back makes no age below nothing.
    fixture.now = at("2026-03-08T11:46:00Z");
    CHECK(told() == std::pair{true, 0});
    const Json garden = fixture.document("/v1/meters").at("meters")[1];
    CHECK(garden.at("flow_known") == false);
    CHECK(garden.at("flow_age_s").is_null());
}

TEST_CASE("the register begins at register_start and is exact to the last stated digit") {
    ApiFixture fixture;
    fixture.configuration.meters[1].register_start_l = {500, 1};
    sure(fixture.ledger->begin());
    fixture.meter("garden");
    sure(fixture.ledger->commit());
    fixture.summaries["garden"].last_reading_at = at("2026-03-08T11:57:00Z");
    fixture.summaries["garden"].total_ticks = 563;
    // 500 L + 563/3 L = 687.6666... L.
    CHECK(mentions(fixture.answer("/v1/meters").body, "\"register_m3\":0.687667,"));
    // The nearest double of this one is written with noise by the JSON library: 0.6881660000000001.
    fixture.configuration.meters[1].register_start_l = {688166, 1000};
    fixture.summaries["garden"].total_ticks = 0;
    CHECK(mentions(fixture.answer("/v1/meters").body, "\"register_m3\":0.688166,"));
}

TEST_CASE("usage shows the rows that begin in the range, and null where nothing is known") {
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

TEST_CASE("rows with their cost reproduce a published bill, and follow prices that change within them") {
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
    // No price, no cost; no data, no cost.
    CHECK(rows("step=month&from=2020-03-01&to=2020-04-01")[0].at("cost").is_null());
    CHECK(rows("step=day&from=2020-08-01&to=2020-08-02")[0].at("cost").is_null());
    CHECK_FALSE(fixture.document("/v1/meters/house/usage").contains("currency"));
    CHECK(mentions(fixture.refusal("/v1/meters/house/usage?cost=yes", 400), "true or false"));
    tariff.price_per_m3.clear();
    CHECK(mentions(fixture.refusal("/v1/meters/house/usage?cost=true", 400), "price_per_m3"));
}

TEST_CASE("hours follow the clock's changes") {
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

TEST_CASE("without a range usage shows what suits the step") {
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

TEST_CASE("rows come in any number, part by part") {
    ApiFixture fixture;
    const Json rows =
        fixture.document("/v1/meters/house/usage?step=interval&from=2026-01-01&to=2026-02-01").at("rows");
    REQUIRE(rows.size() == 31 * 96);
    for (std::size_t i = 1; i < rows.size(); ++i)
        REQUIRE(rows[i].at("from") == rows[i - 1].at("to"));
}

TEST_CASE("the ledger shows entries and, apart, what was refused, and the held reading comes last") {
    ApiFixture fixture;
    sure(fixture.ledger->begin());
    const MeterKey house = fixture.meter("house");
    fixture.add(house, "08:00", "08:03", 3);
    fixture.add(house, "08:03", "08:06", 0, EntryKind::lost);
    Entry restart;
    restart.span = {at("2026-03-01T08:06:00Z"), at("2026-03-01T08:09:30.5Z")};
    restart.kind = EntryKind::restart;
    restart.ticks = 1;
    restart.time_estimated = true;
    restart.unseen_max = 4;
    sure(fixture.ledger->add_entry(house, restart));
    sure(fixture.ledger->add_refused({house, at("2026-03-01T08:01:00Z"), Refusal::unreadable, "nodes/x",
                                      "\xFFoops\n", "This is not JSON."}));
    sure(fixture.ledger->commit());
    Entry held;
    held.span = {at("2026-03-01T08:10:00Z"), at("2026-03-01T08:12:00Z")};
    held.kind = EntryKind::held;
    fixture.summaries["house"].held = held;

    const Json ledger = fixture.document("/v1/meters/house/ledger?from=2026-03-01&to=2026-03-02");
    CHECK(ledger.at("meter") == "house");
    const Json& entries = ledger.at("entries");
    REQUIRE(entries.size() == 4);
    CHECK(
        entries[0].dump() ==
        R"({"from":"2026-03-01T08:00:00+00:00","to":"2026-03-01T08:03:00+00:00","ticks":3,"kind":"measured","unseen_max":null})");
    CHECK(entries[1].at("kind") == "lost");
    CHECK(entries[1].at("ticks").is_null());
    CHECK(entries[2].at("placed") == true);
    CHECK(entries[2].at("unseen_max") == 4);
    CHECK(entries[2].at("to") == "2026-03-01T08:09:30.500000+00:00");
    CHECK(entries[3].at("kind") == "held");
    CHECK(entries[3].at("ticks").is_null());
    REQUIRE(ledger.at("refused").size() == 1);
    CHECK(ledger.at("refused_left_out") == 0);
    CHECK(ledger.at("refused_in_all") == 1);
    CHECK(ledger.at("refused")[0].at("reason") == "unreadable");
    CHECK(ledger.at("refused")[0].at("at") == "2026-03-01T08:01:00+00:00");

    const Json later =
        fixture.document("/v1/meters/house/ledger?from=2026-03-01T08:05:00Z&to=2026-03-01T08:08:00Z");
    CHECK(later.at("entries").size() == 2);
    CHECK(later.at("refused").empty());
    CHECK(fixture.document("/v1/meters/house/ledger").at("entries").empty());
}

TEST_CASE("a slow reader of a long answer let the write-ahead log grow without a bound") {
    ApiFixture fixture;
    fixture.snapshot_longest = Duration{0};
    fixture.api = std::make_unique<Api>(fixture.parts());
    sure(fixture.ledger->begin());
    const MeterKey house = fixture.meter("house");
    const Instant begin = at("2026-03-07T13:00:00Z");
    constexpr int count = 4000;
    for (int i = 0; i < count; ++i) {
        Entry entry;
        entry.span = {begin + std::chrono::seconds{15 * i}, begin + std::chrono::seconds{15 * (i + 1)}};
        entry.ticks = i;
        sure(fixture.ledger->add_entry(house, entry));
    }
    sure(fixture.ledger->commit());
    const auto book_much = [&](int round) {
        for (int batch = 0; batch < 40; ++batch) {
            sure(fixture.ledger->begin());
            sure(fixture.ledger->set_fact("filler", std::string(100'000, static_cast<char>('a' + round))));
            sure(fixture.ledger->commit());
        }
    };
    for (const char* target :
         {"/v1/meters/house/ledger", "/v1/meters/house/usage?step=interval&from=2026-02-15"}) {
        CAPTURE(target);
        Response response = fixture.api->handle(sure(read_target(target)));
        REQUIRE(response.chunks);
        std::string body;
        int parts = 0;
        for (bool is_more = true; is_more; ++parts) {
            std::string part;
            is_more = sure(response.chunks(part));
            body += part;
            book_much(parts % 26);
        }
        CHECK(parts >= 4);
        // Each round is 4 MB; SQLite takes the log from its beginning again once 4000 pages of 1 KiB are in
        // it.
        CHECK(std::filesystem::file_size(fixture.file.string() + "-wal") < 12'000'000);
        const Json document = Json::parse(body);
        if (!document.contains("entries")) continue;
        REQUIRE(document.at("entries").size() == count);
        for (int i = 0; i < count; ++i)
            REQUIRE(document.at("entries")[static_cast<std::size_t>(i)].at("ticks") == i);
    }
}

TEST_CASE("a long ledger comes whole, each entry once, from one moment") {
    ApiFixture fixture;
    sure(fixture.ledger->begin());
    const MeterKey house = fixture.meter("house");
    const Instant begin = at("2026-03-07T13:00:00Z");
    constexpr int count = 2300;
    for (int i = 0; i < count; ++i) {
        Entry entry;
        // Every third is a span of no length, which ends where the one before it ends.
        const Instant from = begin + std::chrono::seconds{30 * (i - i / 3)};
        entry.span = i % 3 == 2 ? Span{from, from} : Span{from, from + std::chrono::seconds{30}};
        entry.ticks = i;
        sure(fixture.ledger->add_entry(house, entry));
    }
    sure(fixture.ledger->commit());

    Response response = fixture.api->handle(sure(read_target("/v1/meters/house/ledger")));
    REQUIRE(response.chunks);
    std::string body;
    std::string part;
    int parts = 0;
    for (bool is_more = true; is_more; ++parts) {
        is_more = sure(response.chunks(part));
        body += std::exchange(part, {});
        if (parts > 0) continue;
        // What is booked while the answer is being sent does not show in it.
        sure(fixture.ledger->begin());
        Entry late;
        late.span = {fixture.now - std::chrono::minutes{1}, fixture.now};
        late.ticks = 999'999;
        sure(fixture.ledger->add_entry(house, late));
        sure(fixture.ledger->commit());
    }
    CHECK(parts >= 4);
    const Json entries = Json::parse(body).at("entries");
    REQUIRE(entries.size() == count);
    std::set<std::int64_t> ticks;
    for (const Json& entry : entries)
        ticks.insert(entry.at("ticks").get<std::int64_t>());
    CHECK(ticks.size() == count);
    CHECK(*ticks.rbegin() == count - 1);
    CHECK(fixture.document("/v1/meters/house/ledger").at("entries").size() == count + 1);
}

TEST_CASE("alarms are shown newest first, by meter and by state, and undecided nights beside them") {
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
    CHECK(mentions(fixture.refusal("/v1/alarms?meter=barn", 400), "\"barn\""));
}

TEST_CASE("health counts what waits for the broker") {
    ApiFixture fixture;
    CHECK(fixture.document("/v1/health").at("broker").at("waiting") == 0);
    sure(fixture.ledger->begin());
    sure(fixture.ledger->queue({.topic = "meters/house/now", .payload = "{}", .retained = true}));
    sure(fixture.ledger->queue({.topic = "meters/house/usage", .payload = "{}"}));
    sure(fixture.ledger->commit());
    CHECK(fixture.document("/v1/health").at("broker").at("waiting") == 2);
}

TEST_CASE("four publications were told to wait for a minute after all four were at the broker") {
    ApiFixture fixture;
    sure(fixture.ledger->begin());
    for (int i = 0; i < 4; ++i)
        sure(fixture.ledger->queue({.topic = "meters/house/usage", .payload = "{}"}));
    sure(fixture.ledger->commit());
    CHECK(fixture.document("/v1/health").at("broker").at("waiting") == 4);
    fixture.health.publications_arrived = 4;
    CHECK(fixture.document("/v1/health").at("broker").at("waiting") == 0);
    // The ledger may have forgotten them between two looks.
    fixture.health.publications_arrived = 5;
    CHECK(fixture.document("/v1/health").at("broker").at("waiting") == 0);
}

TEST_CASE("health was up while every message was unreadable, and while nothing came on a wrong topic") {
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
            "2026-03-08T11:59:00+00:00: There is no /count. Mend `fields` or `message` of this [[meter]], or the node.",
            "Nothing has come for garden on nodes/gardne/water in the 7min since the daemon subscribed. Is the topic "
            "right, and is the node on? `tickledgerd listen` shows what the broker has."});
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

TEST_CASE("a wrong request is refused with what, where and what to do") {
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

TEST_CASE("a method that a call does not take is refused with those it takes") {
    const ApiFixture fixture;
    const Response response = fixture.answer("/v1/meters", "DELETE");
    CHECK(response.status == 405);
    CHECK(response.allow == "GET, HEAD");
    CHECK(fixture.answer("/v1/health", "HEAD").status == 200);
}

TEST_CASE("a ledger that cannot be read is a problem that says why") {
    ApiFixture fixture;
    ApiParts parts = fixture.parts();
    parts.open_view = []() -> Result<std::unique_ptr<LedgerView>> { return fail("The disk is gone."); };
    fixture.api = std::make_unique<Api>(std::move(parts));
    CHECK(mentions(fixture.refusal("/v1/meters", 500), "The disk is gone."));
    CHECK(mentions(fixture.refusal("/v1/meters/house/ledger", 500), "The disk is gone."));
}

TEST_CASE("the OpenAPI document and the routing table say the same") {
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

// Every "$ref" names something that is there, and every answer has just the members that its schema names.
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

TEST_CASE("the answers have the shapes that the OpenAPI document gives them") {
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
}

TEST_CASE("what is known of the time is told, and a person's word that the clock is right is taken") {
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
    check_shape(fixture.document("/v1/openapi.json"),
                fixture.document("/v1/openapi.json").at("components").at("schemas").at("Clock"),
                fixture.document("/v1/clock"));
}

}  // namespace
}  // namespace tickledger
