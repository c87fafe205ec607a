// Volumes from before the first reading, as the API accepts them.
#include <catch2/catch.hpp>

#include "serve/api_fixture.hpp"

using namespace tickledger;
using namespace tickledger::test;
using Json = nlohmann::ordered_json;

namespace {

struct HistoryFixture : ApiFixture {
    explicit HistoryFixture(const std::string& meter_id = "house") {
        sure(ledger->begin());
        key = meter(meter_id);
        sure(ledger->commit());
        summaries[meter_id].meter_register.first_at = at("2026-03-01T10:00:00Z");
        summaries[meter_id].last_reading_at = at("2026-03-08T10:00:00Z");
    }
    /// Writes them as booking would.
    void book(std::vector<HistoryEntry> entries) {
        on_order = [this, entries] {
            sure(ledger->begin());
            for (const HistoryEntry& entry : entries)
                sure(ledger->add_history(key, entry));
            sure(ledger->commit());
        };
    }
    MeterKey key = 0;
};

const std::string target = "/v1/meters/house/history";

std::string body(const std::string& readings, const std::string& more = {}) {
    return R"({"import":"bills",)" + more + R"("readings":[)" + readings + "]}";
}

std::string reading(const std::string& time, const std::string& volume) {
    return R"({"time":")" + time + R"(","volume":")" + volume + R"("})";
}

}  // namespace

TEST_CASE("cumulative volumes become whole ticks, floored once each, and the answer lists the import") {
    HistoryFixture fixture;
    const HistoryEntry first{{at("2026-01-01T00:00:00Z"), at("2026-02-01T00:00:00Z")}, 4001, "bills"};
    fixture.book({first});
    const auto response = fixture.answer(
        target, "POST", body(reading("2026-01-01", "1000.0009") + "," + reading("2026-02-01", "1004.0019")));
    INFO(response.body);
    REQUIRE(response.status == 200);
    REQUIRE(fixture.orders.size() == 1);
    CHECK(fixture.orders[0] ==
          R"({"do":"import-history","meter":"house","import":"bills","points":[[1767225600000000,1000000],)"
          R"([1769904000000000,1004001]]})");
    const Json document = Json::parse(response.body);
    CHECK(document.at("left_out") == 0);
    CHECK(document.at("ends_by") == "2026-03-01T00:00:00+00:00");
    REQUIRE(document.at("imports").size() == 1);
    CHECK(
        document.at("imports")[0] ==
        Json::parse(R"({"name":"bills","from":"2026-01-01T00:00:00+00:00","to":"2026-02-01T00:00:00+00:00",)"
                    R"("entries":1,"ticks":4001,"volume_l":4001.000})"));
    // The same request again keeps nothing.
    CHECK(fixture
              .answer(target, "POST",
                      body(reading("2026-01-01", "1000.0009") + "," + reading("2026-02-01", "1004.0019")))
              .status == 200);
    CHECK(fixture.orders.size() == 1);
    // Two numbers for the same time: nothing tells which is right.
    CHECK_THAT(fixture.refusal(target, 409, "POST",
                               body(reading("2026-01-01", "1000") + "," + reading("2026-02-01", "1009"))),
               Catch::Contains("already covers") && Catch::Contains("\"bills\""));
    CHECK(fixture.document(target).at("imports").size() == 1);
    CHECK_FALSE(fixture.document(target).contains("left_out"));
}

TEST_CASE("a tick of a third of a litre and a register in cubic feet are exact, too") {
    HistoryFixture fixture("garden");
    static_cast<void>(fixture.answer(
        "/v1/meters/garden/history", "POST",
        body(reading("2026-01-01", "0") + "," + reading("2026-02-01", "100"), R"("unit":"ft3",)")));
    REQUIRE(fixture.orders.size() == 1);
    // 100 ft3 are 2831.6846592 L (NIST SP 811, from memory), so 8495.05 thirds of a litre.
    CHECK_THAT(fixture.orders[0], Catch::Contains(",8495]]}"));
}

TEST_CASE("values after the day of the first reading are left out and counted") {
    HistoryFixture fixture;
    const HistoryEntry entry{{at("2026-02-01T00:00:00Z"), at("2026-03-01T00:00:00Z")}, 4000, "bills"};
    fixture.book({entry});
    const Json document =
        Json::parse(fixture
                        .answer(target, "POST",
                                body(reading("2026-02-01", "1") + "," + reading("2026-03-01", "5") + "," +
                                     reading("2026-03-01T09:00:00Z", "6") + "," + reading("2026-03-05", "7")))
                        .body);
    CHECK(document.at("left_out") == 2);
    CHECK(document.at("imports")[0].at("ticks") == 4000);
}

TEST_CASE("an import is undone by its name, and an unknown one is a 404") {
    HistoryFixture fixture;
    fixture.book({{{at("2026-01-01T00:00:00Z"), at("2026-02-01T00:00:00Z")}, 4, "bills"}});
    REQUIRE(
        fixture
            .answer(target, "POST", body(reading("2026-01-01", "0") + "," + reading("2026-02-01", "0.004")))
            .status == 200);
    CHECK_THAT(fixture.refusal(target + "?import=other", 404, "DELETE"), Catch::Contains("\"other\""));
    CHECK_FALSE(fixture.refusal(target, 400, "DELETE").empty());
    fixture.on_order = [&] {
        sure(fixture.ledger->begin());
        sure(fixture.ledger->remove_history(fixture.key, "bills"));
        sure(fixture.ledger->commit());
    };
    const auto response = fixture.answer(target + "?import=bills", "DELETE");
    REQUIRE(response.status == 200);
    CHECK(Json::parse(response.body).at("imports").empty());
    CHECK(fixture.orders.back() == R"({"do":"undo-import","meter":"house","import":"bills"})");
}

TEST_CASE("an invalid history is refused with a remedy, and nothing is kept") {
    HistoryFixture fixture;
    const std::string good = reading("2026-01-01", "1");
    for (const std::string& wrong :
         {std::string(), std::string("{}"), std::string("[]"), std::string(R"({"import":"x"})"), body("7"),
          body(""), body(good), body(good + "," + R"({"time":"2026-02-01","volume":2})"),
          body(good + "," + R"({"time":"2026-02-01","volume":"2","more":1})"),
          body(good + "," + reading("soon", "2")), body(good + "," + reading("2026-02-01", "-2")),
          body(good + "," + reading("2026-02-01", "1,5")), body(good, R"("unit":"bottles",)"),
          body(good, R"("when":1,)"), std::string(R"({"import":"","readings":[]})"),
          std::string("{\"import\":\"a\\u0007\",\"readings\":[]}")}) {
        CAPTURE(wrong);
        CHECK_FALSE(fixture.refusal(target, 400, "POST", wrong).empty());
    }
    for (const std::string& wrong :
         {body(good + "," + reading("2025-12-01", "2")), body(good + "," + reading("2026-02-01", "0.5")),
          body(reading("2020-01-01", "0") + "," + good)}) {
        CAPTURE(wrong);
        CHECK_FALSE(fixture.refusal(target, 409, "POST", wrong).empty());
    }
    // The garden has no reading yet.
    CHECK_THAT(fixture.refusal("/v1/meters/garden/history", 409, "POST",
                               body(good + "," + reading("2026-02-01", "2"))),
               Catch::Contains("yet"));
    CHECK(fixture.document("/v1/meters/garden/history").at("ends_by").is_null());
    CHECK_FALSE(fixture.refusal("/v1/meters/barn/history", 404).empty());
    CHECK(fixture.orders.empty());
}

TEST_CASE("years begin with the first year of the history") {
    HistoryFixture fixture;
    CHECK(fixture.document("/v1/meters/house/usage?step=year").at("rows").size() == 1);
    sure(fixture.ledger->begin());
    sure(fixture.ledger->add_history(fixture.key,
                                     {{at("2023-05-01T00:00:00Z"), at("2023-06-01T00:00:00Z")}, 4, "bills"}));
    sure(fixture.ledger->commit());
    CHECK(fixture.document("/v1/meters/house/usage?step=year").at("rows").size() == 4);
}
