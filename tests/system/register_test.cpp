// From "my register says 1234.567" to a ledger that agrees, with the real daemon and client, a kill and a
// replay.
#include <catch2/catch.hpp>
#include <fstream>

#include "site.hpp"

using namespace tickledger::test;

namespace {

/// A day of 10 ticks every three minutes, with a restart of the node at noon.
std::string recording(const std::filesystem::path& directory) {
    const auto path = directory / "day.jsonl";
    std::ofstream out(path);
    int count = 0;
    for (int minute = 0; minute <= 1439; minute += 3) {
        char line[256];
        std::snprintf(
            line, sizeof line,
            R"({"tst":"2026-03-05T%02d:%02d:00Z","topic":"nodes/house","payload":{"count":%d,"boot":%d,"seq":%d}})",
            minute / 60, minute % 60, minute < 720 ? count : count - 2400, minute < 720 ? 1 : 2, minute / 3);
        out << line << '\n';
        count += 10;
    }
    return path.string();
}

}  // namespace

TEST_CASE("two commands reconcile the ledger with the register, and a kill or a repetition changes nothing") {
    Site site({.meters = one_meter});
    REQUIRE(site.replay({recording(site.directory().path())}).status == 0);
    site.start();
    const auto from_start =
        site.client({"register", "house", "--set", "1234.567", "--at", "2026-03-05T10:00:00Z"});
    CHECK(from_start.status == 1);  // Nobody has said where it started.
    CHECK_THAT(from_start.error, Catch::Contains("--start"));

    const auto start =
        site.client({"register", "house", "--start", "1234.567", "--at", "2026-03-05T10:00:00Z"});
    INFO(start.error);
    REQUIRE(start.status == 0);
    // Until 23:57 the node counted 2 780 more ticks. Its restart from 0 lost none of them.
    const std::vector<std::string> set{"register", "house", "--set",
                                       "1237.359", "--at",  "2026-03-05T23:57:00Z"};
    const auto told = site.client(set);
    INFO(told.error);
    REQUIRE(told.status == 0);
    CHECK_THAT(told.out,
               Catch::Contains("12 ticks (12.000 L) were missed between 2026-03-05 10:00 and 23:57") &&
                   Catch::Contains("most likely at the restart of the node"));
    const std::string after = site.text("/v1/meters/house/usage?step=hour&from=2026-03-05&to=2026-03-06");
    const auto shown = site.get("/v1/meters/house/register");
    CHECK(shown.at("register_m3") == 1237.359);
    CHECK(shown.at("readings").size() == 2);
    CHECK(shown.at("readings")[0].at("adjustment").at("ticks") == 12);

    site.kill();
    site.start();
    CHECK(site.text("/v1/meters/house/usage?step=hour&from=2026-03-05&to=2026-03-06") == after);
    REQUIRE(site.client(set).status == 0);
    CHECK(site.text("/v1/meters/house/usage?step=hour&from=2026-03-05&to=2026-03-06") == after);

    const auto back = site.client({"register", "house", "--take-back", "2026-03-05T23:57:00Z"});
    INFO(back.error);
    REQUIRE(back.status == 0);
    CHECK(site.get("/v1/meters/house/register").at("register_m3") == 1237.347);
    CHECK(site.client({"register", "house", "--take-back", "2026-03-05T23:57:00Z"}).status == 1);
    const std::string exported = site.client({"register", "--csv"}).out;
    CHECK_THAT(
        exported,
        Catch::StartsWith("meter,time,reading_m3,start,adjustment_ticks,text,register_m3,low_m3,high_m3\r\n"
                          "house,2026-03-05T23:57:00+00:00,,,,") &&
            Catch::Contains(",1237.347,") &&
            Catch::EndsWith("\r\nhouse,2026-03-05T10:00:00+00:00,1234.567,true,0,"
                            "The register follows this reading: it showed 1234.567 m³ then.,,,\r\n"));
    CHECK(site.stop() == 0);
}

TEST_CASE("a pulse value is fitted to the readings, and applied only from a given date") {
    Site site({.meters = one_meter});
    REQUIRE(site.replay({recording(site.directory().path())}).status == 0);
    site.start();
    CHECK(site.client({"calibrate", "house"}).status == 1);  // No readings yet.
    // 1 000 ticks of 1.03 L, then 900.
    for (const auto& [reading, hour] : {std::pair{"1.030", "05"}, {"2.060", "10"}, {"2.266", "11"}}) {
        const auto told = site.client(
            {"register", "house", "--set", reading, "--at", std::string("2026-03-05T") + hour + ":00:00Z"});
        INFO(told.error);
        REQUIRE(told.status == 0);
    }
    const auto fitted = site.client({"calibrate", "house", "--json"});
    INFO(fitted.error);
    REQUIRE(fitted.status == 0);
    const auto document = nlohmann::json::parse(fitted.out);
    CHECK(document.at("pulse_value_l") == 1.03);
    CHECK(document.at("verdict") == "beyond");
    CHECK(document.at("stretches").size() == 2);
    CHECK(document.at("applied_from").is_null());
    CHECK(site.client({"calibrate", "house", "--apply-from", "2026-03-05T12:00:00Z"}).status == 1);

    const auto applied = site.client({"calibrate", "house", "--apply-from", "2026-03-05"});
    INFO(applied.error);
    REQUIRE(applied.status == 0);
    CHECK_THAT(applied.out, Catch::Contains("From 2026-03-05 on, a tick stands for 1.03 L"));
    // A difference that the pulse value explains is not adjusted as well.
    const auto shown = site.get("/v1/meters/house/register");
    for (const auto& reading : shown.at("readings"))
        CHECK(reading.at("adjustment").is_null());
    // 4 780 ticks in all, including those at the node's restart.
    CHECK(site.get("/v1/meters/house/register").at("register_m3") == 4.9234);
    CHECK(site.get("/v1/meters/house/usage?step=month&from=2026-03-01&to=2026-04-01")
              .at("rows")[0]
              .at("volume_l") == 4923.4);
    REQUIRE(
        site.client({"calibrate", "house", "--apply-from", "2026-03-05", "--pulse-value", "1 L"}).status ==
        0);
    CHECK(site.get("/v1/meters/house/usage?step=month&from=2026-03-01&to=2026-04-01")
              .at("rows")[0]
              .at("ticks") == 4780 + 66);
    CHECK(site.stop() == 0);
}

TEST_CASE("register readings are in the message log, and its replay gives the same answers") {
    Site site({.meters = one_meter});
    REQUIRE(site.replay({recording(site.directory().path())}).status == 0);
    site.start();
    for (const char* reading : {"1.000", "2.003"}) {
        const std::string at = reading[0] == '1' ? "2026-03-05T05:00:00Z" : "2026-03-05T10:00:00Z";
        REQUIRE(site.client({"register", "--set", reading, "--at", at}).status == 0);
    }
    const std::string ledger = site.text("/v1/meters/house/ledger?from=2026-03-05&to=2026-03-06");
    CHECK_THAT(ledger, Catch::Contains("\"adjustment\""));
    CHECK(site.stop() == 0);

    Site other({.meters = one_meter});
    REQUIRE(other.replay({recording(other.directory().path())}).status == 0);
    REQUIRE(other.replay({(site.store() / "messages").string()}).status == 0);
    other.start();
    CHECK(other.text("/v1/meters/house/ledger?from=2026-03-05&to=2026-03-06") == ledger);
    CHECK(other.stop() == 0);
}

TEST_CASE("a node that sends register readings gets a hint which command adopts them") {
    Site site({.meters = R"(
[[meter]]
id = "house"
topic = "nodes/house"
message = "volume"
fields = { volume = "/value" }
)"});
    const auto path = site.directory().path() / "reader.jsonl";
    std::ofstream(path)
        << R"({"tst":"2026-03-05T10:00:00Z","topic":"nodes/house","payload":{"value":"1234.567"}})" << '\n'
        << R"({"tst":"2026-03-05T10:03:00Z","topic":"nodes/house","payload":{"value":"1234.6"}})" << '\n';
    REQUIRE(site.replay({path.string()}).status == 0);
    site.start();
    const auto shown = site.get("/v1/meters/house/register");
    CHECK(shown.at("register_m3") == 0.033);  // It starts at 0, as configured.
    CHECK_THAT(
        shown.at("text").get<std::string>(),
        Catch::Contains("the node read 1234.600 m³ then") &&
            Catch::Contains("`tickledger register house --start 1234.600 --at 2026-03-05T10:03:00+00:00`"));
    REQUIRE(site.client({"register", "house", "--start", "1234.600", "--at", "2026-03-05T10:03:00+00:00"})
                .status == 0);
    CHECK(site.get("/v1/meters/house/register").at("register_m3") == 1234.6);
}
