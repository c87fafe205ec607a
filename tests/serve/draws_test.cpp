#include <catch2/catch.hpp>
#include <random>

#include "book/instruction_documents.hpp"
#include "book/told_draws.hpp"
#include "serve/api_fixture.hpp"

namespace tickledger {
namespace {

using test::ApiFixture;
using test::at;
using test::sure;
using namespace std::chrono_literals;
using Json = nlohmann::ordered_json;

/// A reading every second from 08:00 UTC on 2026-03-01. In each stretch a tap runs one tick every `pause_s`.
void add_readings(ApiFixture& fixture, MeterKey meter, int minutes, int pause_s,
                  const std::vector<std::pair<int, int>>& runs_s) {
    const Instant begin = at("2026-03-01T08:00:00Z");
    for (int second = 1; second <= minutes * 60; ++second) {
        std::int64_t ticks = 0;
        for (const auto& [from_s, to_s] : runs_s) {
            if (second > from_s && second <= to_s && (second - from_s) % pause_s == 0) ticks = 1;
        }
        Entry entry;
        entry.span = {begin + std::chrono::seconds{second - 1}, begin + std::chrono::seconds{second}};
        entry.ticks = ticks;
        sure(fixture.ledger->add_entry(meter, entry));
    }
}

struct DrawsFixture : ApiFixture {
    DrawsFixture() {
        sure(ledger->begin());
        // 10 L a minute for five minutes, then 1 L.
        add_readings(*this, meter("house"), 30, 6, {{300, 600}, {1200, 1206}});
        sure(ledger->commit());
    }
};

constexpr const char* morning = "/v1/meters/house/draws?from=2026-03-01T08:00:00Z&to=2026-03-01T09:00:00Z";

}  // namespace

TEST_CASE("draws are listed with volume, flow, label and confidence") {
    const DrawsFixture fixture;
    const Json document = fixture.document(morning);
    CHECK(document.at("meter") == "house");
    CHECK(document.at("timezone") == "Europe/Lisbon");
    REQUIRE(document.at("draws").size() == 2);
    const Json& shower = document.at("draws")[0];
    CHECK(shower.at("from") == "2026-03-01T08:05:02.500000+00:00");
    CHECK(shower.at("ticks") == 50);
    CHECK(shower.at("volume_l") == 50);
    CHECK(shower.at("mean_flow_l_per_h").get<double>() == Approx(600).epsilon(0.03));
    CHECK(shower.at("label") == "shower");
    CHECK(shower.at("confidence").get<double>() > 0.5);
    CHECK(shower.at("blur_s") == 1);
    CHECK(shower.at("overlaps") == false);
    CHECK(shower.at("parts") == 1);
    const Json& sip = document.at("draws")[1];
    CHECK(sip.at("ticks") == 1);
    CHECK(sip.at("mean_flow_l_per_h").is_null());
    CHECK(sip.at("label") == "tap");
}

TEST_CASE("a draw belongs to the range in which it begins, and a label filters the list") {
    const DrawsFixture fixture;
    const std::string from = "/v1/meters/house/draws?from=2026-03-01T08:07:00Z&to=2026-03-01T09:00:00Z";
    CHECK(fixture.document(from).at("draws").size() == 1);
    CHECK(fixture.document(std::string(morning) + "&label=shower").at("draws").size() == 1);
    CHECK(fixture.document(std::string(morning) + "&label=bath").at("draws").empty());
}

TEST_CASE("a leak that began before the day disappeared from the day's draws") {
    ApiFixture fixture;
    sure(fixture.ledger->begin());
    // A tick every five minutes, from Tuesday 08:00 to Thursday 08:00.
    const MeterKey meter = fixture.meter("house");
    for (Instant from = at("2026-02-24T00:00:00Z"); from < at("2026-02-26T08:00:00Z"); from += 1min) {
        Entry entry;
        entry.span = {from, from + 1min};
        entry.ticks = from >= at("2026-02-24T08:00:00Z") && from.time_since_epoch() % 5min == 0min ? 1 : 0;
        sure(fixture.ledger->add_entry(meter, entry));
    }
    sure(fixture.ledger->commit());
    const std::string wednesday = "/v1/meters/house/draws?from=2026-02-25&to=2026-02-26";
    const Json day = fixture.document(wednesday);
    REQUIRE(day.at("begun_before").size() == 1);
    const Json& leak = day.at("begun_before")[0];
    CHECK(leak.at("label") == "leak");
    CHECK(leak.at("from").get<std::string>().starts_with("2026-02-24T08:0"));
    // A draw of a leak is at most a day long. The next one begins on the day itself.
    CHECK(leak.at("to").get<std::string>().starts_with("2026-02-25T07:5"));
    CHECK(day.at("draws").size() == 1);
    CHECK(fixture.document(wednesday + "&label=shower").at("begun_before").empty());
    const Json began = fixture.document("/v1/meters/house/draws?from=2026-02-24&to=2026-02-25");
    CHECK(began.at("begun_before").empty());
    CHECK(began.at("draws").back() == leak);
    const Json after = fixture.document("/v1/meters/house/draws?from=2026-02-27&to=2026-02-28");
    CHECK(after.at("begun_before").empty());
}

TEST_CASE("volumes and flows of draws follow the pulse value of their day") {
    DrawsFixture fixture;
    fixture.configuration.meters[0].pulse_value_l = {2, 1};
    const Json shower = fixture.document(morning).at("draws")[0];
    CHECK(shower.at("volume_l") == 100);
    CHECK(shower.at("mean_flow_l_per_h").get<double>() == Approx(1200).epsilon(0.03));
}

TEST_CASE("a meter without readings has no draws, and too long a range is refused") {
    const DrawsFixture fixture;
    CHECK(fixture.document("/v1/meters/garden/draws").at("draws").empty());
    CHECK(fixture.refusal("/v1/meters/house/draws?from=2026-01-01&to=2026-03-01", 400).find("31 days") !=
          std::string::npos);
    CHECK(fixture.refusal("/v1/meters/house/draws?label=sauna", 400).find("flush") != std::string::npos);
    CHECK_FALSE(fixture.refusal("/v1/meters/nowhere/draws", 404).empty());
}

namespace {

/// Three weeks of a house whose node sends every three minutes, until 2026-02-22. Returns the ticks of the
/// days from 2026-02-09 on.
std::int64_t add_weeks(ApiFixture& fixture, MeterKey meter) {
    std::mt19937 dice(7);
    const auto draw = [&](int sides) { return static_cast<int>(dice() % static_cast<unsigned>(sides)); };
    std::int64_t ticks_asked = 0;
    int left = 0;
    for (Instant from = at("2026-02-01T00:00:00Z"); from < at("2026-02-22T00:00:00Z"); from += 3min) {
        const auto hour = std::chrono::floor<std::chrono::hours>(from).time_since_epoch().count() % 24;
        // Taps, cisterns of 6 L, showers of up to 60 L. Somebody showers over each end of a week, too.
        const bool is_turn = hour == 3 && from.time_since_epoch() % 1h == 54min;
        if (left == 0 && (hour > 5 || is_turn) && draw(is_turn ? 1 : 12) == 0)
            left = is_turn ? 60 : std::array{1, 2, 6, 6, 24, 60}.at(static_cast<std::size_t>(draw(6)));
        Entry entry;
        entry.span = {from, from + 3min};
        entry.ticks = std::min(left, 10 + draw(15));
        left -= static_cast<int>(entry.ticks);
        sure(fixture.ledger->add_entry(meter, entry));
        if (from >= at("2026-02-09T00:00:00Z")) ticks_asked += entry.ticks;
    }
    return ticks_asked;
}

std::string february(int day) {
    return (day < 10 ? "2026-02-0" : "2026-02-") + std::to_string(day);
}

std::vector<std::string> draws_between(const ApiFixture& fixture, const std::string& from,
                                       const std::string& to) {
    std::vector<std::string> draws;
    const Json document = fixture.document("/v1/meters/house/draws?from=" + from + "&to=" + to);
    for (const Json& one : document.at("draws"))
        draws.push_back(one.dump());
    return draws;
}

}  // namespace

TEST_CASE("the draws of a day depended on the range of the request") {
    ApiFixture fixture;
    sure(fixture.ledger->begin());
    const std::int64_t ticks = add_weeks(fixture, fixture.meter("house"));
    sure(fixture.ledger->commit());
    const auto at_once = draws_between(fixture, "2026-02-09", "2026-02-22");
    std::vector<std::string> by_day;
    for (int day = 9; day < 22; ++day) {
        const auto of_day = draws_between(fixture, february(day), february(day + 1));
        by_day.insert(by_day.end(), of_day.begin(), of_day.end());
    }
    CHECK(at_once.size() > 200);
    CHECK(by_day == at_once);
    // No tick is lost or repeated where two weeks meet.
    std::int64_t told = 0;
    for (const std::string& one : at_once)
        told += Json::parse(one).at("ticks").get<std::int64_t>();
    CHECK(told == ticks);
    CHECK(draws_between(fixture, "2026-02-16T03:50:00Z", "2026-02-16T04:20:00Z").size() == 2);
}

namespace {

/// Books it as the daemon does.
void book_last_order(DrawsFixture& fixture) {
    const auto document = nlohmann::json::parse(fixture.orders.back());
    sure(fixture.ledger->begin());
    if (document.at("do") == instruction_tell_draw) keep_told_draw(*fixture.ledger, "house", document);
    if (document.at("do") == instruction_forget_draw) forget_told_draw(*fixture.ledger, "house", document);
    sure(fixture.ledger->commit());
}

}  // namespace

TEST_CASE("a person states what a use was, and withdraws it") {
    DrawsFixture fixture;
    fixture.on_order = [&] { book_last_order(fixture); };
    const auto say = [&](const std::string& body) {
        const Response response = fixture.answer("/v1/meters/house/draws", "POST", body);
        CHECK(response.status == 200);
        return Json::parse(response.body);
    };
    const Json said = say(R"({"at":"2026-03-01T08:07:00Z","was":"hose","named":"the roses"})");
    CHECK(said.at("draw").at("label") == "hose");
    CHECK(said.at("draw").at("told") == true);
    CHECK(said.at("draw").at("name") == "the roses");
    CHECK(said.at("draw").at("confidence") == 1);
    CHECK(fixture.document(morning).at("draws")[0].at("label") == "hose");
    // A second statement about another moment of the same draw replaces the first.
    say(R"({"at":"2026-03-01T08:09:00Z","was":"bath"})");
    const Json bath = fixture.document(morning).at("draws")[0];
    CHECK(bath.at("label") == "bath");
    CHECK(bath.at("name").is_null());
    const Json back = say(R"({"at":"2026-03-01T08:05:30Z","was":"nothing"})");
    CHECK(back.at("draw").at("label") == "shower");
    CHECK(back.at("draw").at("told") == false);
    CHECK(fixture.orders.size() == 3);
}

TEST_CASE("an impossible statement about a use is refused") {
    const DrawsFixture fixture;
    const auto refused = [&](unsigned status, const std::string& body) {
        return fixture.refusal("/v1/meters/house/draws", status, "POST", body);
    };
    CHECK(refused(400, R"({"at":"07:10"})").find("was") != std::string::npos);
    CHECK(refused(400, R"({"at":"07:10","was":"sauna"})").find("flush") != std::string::npos);
    CHECK(refused(400, R"({"at":"99:99","was":"tap"})") ==
          "\"at\" is \"99:99\". Give a time like \"07:10\", which means the latest 07:10, or like "
          "\"2026-03-01T08:00:00+01:00\".");
    CHECK(refused(400, R"({"at":"07:10","was":"tap","named":")" + std::string(61, 'x') + "\"}").find("60") !=
          std::string::npos);
    CHECK(refused(404, R"({"at":"2026-03-01T08:28:00Z","was":"tap"})").find("five minutes") !=
          std::string::npos);
    CHECK(refused(409, R"({"at":"2026-03-01T08:07:00Z","was":"nothing"})").find("Nobody") !=
          std::string::npos);
    CHECK(fixture.orders.empty());
}

TEST_CASE("a time of day means its latest occurrence") {
    DrawsFixture fixture;
    fixture.now = at("2026-03-02T07:00:00Z");
    // Lisbon's clock shows UTC in winter: 08:07 was yesterday.
    fixture.on_order = [&] { book_last_order(fixture); };
    CHECK(fixture.answer("/v1/meters/house/draws", "POST", R"({"at":"08:07","was":"hose"})").status == 200);
    CHECK(fixture.document(morning).at("draws")[0].at("label") == "hose");
}

}  // namespace tickledger
