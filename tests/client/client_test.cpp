// Runs the real program against a server whose answers are written here.
#include <catch2/catch.hpp>

#include "client/fake_daemon.hpp"

namespace tickledger {
namespace {

using test::FakeDaemon;
using test::Run;

const std::string two_meters =
    R"({"meters":[{"id":"house","name":"house","pulse_value_l":1,"last_reading_at":"2026-03-08T11:57:30+01:00",)"
    R"("register_m3":1234.567000,"flow_l_per_h":20.000,"smallest_visible_leak_l_per_h":2.000},)"
    R"({"id":"garden","name":"garden","pulse_value_l":0.3333333333333333,"last_reading_at":null,"register_m3":null,)"
    R"("flow_l_per_h":null,"smallest_visible_leak_l_per_h":null}]})";

std::string row(const std::string& from, const std::string& to, const std::string& rest) {
    return R"({"from":")" + from + R"(","to":")" + to + "\"," + rest + "}";
}

const std::string three_days =
    R"({"meter":"house","timezone":"Europe/Berlin","step":"day","rows":[)" +
    row("2026-03-01T00:00:00+01:00", "2026-03-02T00:00:00+01:00",
        R"("ticks":1234,"volume_l":411.333,"covered_s":86400,"spread_ticks":0,"revision":0)") +
    "," +
    row("2026-03-02T00:00:00+01:00", "2026-03-03T00:00:00+01:00",
        R"("ticks":0,"volume_l":0.000,"covered_s":7260,"spread_ticks":1,"revision":2)") +
    "," +
    row("2026-03-03T00:00:00+01:00", "2026-03-04T00:00:00+01:00",
        R"("ticks":null,"volume_l":null,"covered_s":0,"spread_ticks":0,"revision":0)") +
    "]}";

TEST_CASE("meters are a table with units, and unknown values are shown as no data") {
    FakeDaemon daemon;
    daemon.set("/v1/meters", two_meters);
    const Run run = daemon.run("meters");
    CHECK(run.status == 0);
    CHECK(run.error.empty());
    CHECK(
        run.out ==
        "Meter   Last reading         Register m³  Flow L/h              Tick L  Smallest visible leak L/h\n"
        "house   2026-03-08 11:57:30     1234.567      20.0                   1                        2.0\n"
        "garden  no data                  no data   no data  0.3333333333333333                       "
        "none\n");
}

TEST_CASE("meters where everybody is away are named below the table") {
    FakeDaemon daemon;
    daemon.set(
        "/v1/meters",
        R"({"meters":[{"id":"house","name":"house","pulse_value_l":1,"last_reading_at":null,"register_m3":null,)"
        R"("flow_l_per_h":null,"smallest_visible_leak_l_per_h":2.000,"away":true,"away_from":"2026-03-08T12:00:00+01:00",)"
        R"("away_to":"2026-03-15T00:00:00+01:00"}]})");
    CHECK_THAT(daemon.run("meters").out,
               Catch::EndsWith("\nEverybody is away at house until 2026-03-15 00:00.\n"));
}

TEST_CASE("usage is a table that marks incomplete, spread and revised rows and never shows no data as zero") {
    FakeDaemon daemon;
    daemon.set("/v1/meters/house/usage", three_days);
    const Run run = daemon.run("usage house");
    CHECK(run.status == 0);
    CHECK(run.out ==
          "house, by day, Europe/Berlin\n"
          "From          Ticks  Volume L  Notes\n"
          "2026-03-01     1234   411.333\n"
          "2026-03-02        0     0.000  incomplete: 2 h 01 min of 24 h 00 min; 1 tick spread from a longer "
          "span; "
          "revision 2\n"
          "2026-03-03  no data   no data\n"
          "Total          1234   411.333\n");
    // The names of meters are requested after the usage.
    CHECK(daemon.asked() == std::vector<std::string>{"/v1/meters/house/usage", "/v1/meters"});
}

TEST_CASE("an hour that occurs twice is distinguished by its offset") {
    FakeDaemon daemon;
    const std::string rest = R"("ticks":1,"volume_l":1.000,"covered_s":3600,"spread_ticks":0,"revision":0)";
    daemon.set("/v1/meters/house/usage",
               R"({"meter":"house","timezone":"Europe/Berlin","step":"hour","rows":[)" +
                   row("2026-10-25T02:00:00+02:00", "2026-10-25T02:00:00+01:00", rest) + "," +
                   row("2026-10-25T02:00:00+01:00", "2026-10-25T03:00:00+01:00", rest) + "]}");
    CHECK(daemon.run("usage house --step hour").out ==
          "house, by hour, Europe/Berlin\n"
          "From                     Ticks  Volume L  Notes\n"
          "2026-10-25 02:00 +02:00      1     1.000\n"
          "2026-10-25 02:00 +01:00      1     1.000\n"
          "Total                        2     2.000\n");
}

TEST_CASE("CSV has a header with units, decimal points, CRLF, and empty fields where there is no data") {
    FakeDaemon daemon;
    daemon.set("/v1/meters/house/usage", three_days);
    CHECK(daemon.run("usage house --csv").out ==
          "meter,from,to,ticks,volume_l,covered_s,spread_ticks,revision,cost,currency\r\n"
          "house,2026-03-01T00:00:00+01:00,2026-03-02T00:00:00+01:00,1234,411.333,86400,0,0,,\r\n"
          "house,2026-03-02T00:00:00+01:00,2026-03-03T00:00:00+01:00,0,0,7260,1,2,,\r\n"
          "house,2026-03-03T00:00:00+01:00,2026-03-04T00:00:00+01:00,,,0,0,0,,\r\n");
}

TEST_CASE("an incomplete interval of seconds was shown as 0 h 00 min of 0 h 00 min") {
    FakeDaemon daemon;
    daemon.set("/v1/meters/house/usage",
               R"({"meter":"house","timezone":"Europe/Berlin","step":"interval","rows":[)" +
                   row("2026-03-01T08:00:00+01:00", "2026-03-01T08:00:30+01:00",
                       R"("ticks":1,"volume_l":1.0,"covered_s":12,"spread_ticks":0,"revision":0)") +
                   "]}");
    CHECK_THAT(daemon.run("usage house").out, Catch::Contains("incomplete: 12 s of 30 s\n"));
}

TEST_CASE("JSON is the daemon's answer byte for byte, one document a line, for all meters if none is named") {
    FakeDaemon daemon;
    daemon.set("/v1/meters", two_meters);
    // No character inside a string ends a document.
    const std::string odd =
        R"({"meter":"garden","timezone":"]},{\"\\","step":"day","rows":[],"later":{"a":[[1],{}]}})";
    daemon.set("/v1/usage", "{\"meters\":[" + three_days + "," + odd + "]}");
    const Run run = daemon.run("--json usage --from 2026-03-01 --to 2026-03-04T00:00:00+01:00");
    CHECK(run.status == 0);
    CHECK(run.out == three_days + "\n" + odd + "\n");
    CHECK(daemon.asked() ==
          std::vector<std::string>{"/v1/usage?from=2026-03-01&to=2026-03-04T00:00:00+01:00"});
    daemon.set("/v1/usage", R"({"meters":[]})");
    CHECK(daemon.run("--json usage").out.empty());
    CHECK(daemon.run("usage").out == "No meters.\n");
    CHECK(daemon.run("meters --json").out == two_meters + "\n");
}

TEST_CASE("the client asked the daemon for the time before each request about today") {
    FakeDaemon daemon;
    daemon.set("/v1/meters/house/usage", three_days);
    const auto query_of = [&](const std::string& arguments) {
        const Run run = daemon.run("usage house --csv " + arguments);
        CAPTURE(arguments, run.error);
        CHECK(run.status == 0);
        const auto asked = daemon.asked();
        CHECK(asked.size() == 1);
        return asked.front();
    };
    const std::string usage = "/v1/meters/house/usage?step=";
    CHECK(query_of("--day today") == usage + "hour&from=today&to=today+1d");
    CHECK(query_of("--day yesterday") == usage + "hour&from=today-1d&to=today");
    CHECK(query_of("--day 2026-12-31 --step interval") == usage + "interval&from=2026-12-31&to=2027-01-01");
    CHECK(query_of("--month 2026-12") == usage + "day&from=2026-12-01&to=2027-01-01");
    CHECK(query_of("--last 7d") == usage + "day&from=today-6d&to=today+1d");
    CHECK(query_of("--last 2w") == usage + "day&from=today-13d&to=today+1d");
    CHECK(query_of("--last 24h") == usage + "hour&from=now-24h&to=now");
    CHECK(query_of("--last 90min") == usage + "interval&from=now-90min&to=now");
    CHECK(query_of("--step day --from yesterday --to now") == usage + "day&from=today-1d&to=now");
}

TEST_CASE("a wrong command line is reported before any request, with status 2") {
    FakeDaemon daemon;
    daemon.set("/v1/health", R"({"time":"2026-03-01T00:30:00+01:00"})");
    for (const char* arguments :
         {"", "unknown", "meters --no-such-option", "usage house --day someday", "usage --month 2026-13",
          "usage --last 7", "usage --last 0", "usage --day today --from 2026-03-01",
          "usage --day today --month 2026-03", "meters --csv --json", "usage house garden"}) {
        CAPTURE(arguments);
        const Run run = daemon.run(arguments);
        CHECK(run.status == 2);
        CHECK(run.out.empty());
        CHECK_FALSE(run.error.empty());
    }
    for (const std::string& target : daemon.asked())
        CHECK(target == "/v1/health");
}

TEST_CASE("a refusal by the daemon is shown in its own words, with status 1") {
    FakeDaemon daemon;
    const Run run = daemon.run("usage barn");
    CHECK(run.status == 1);
    CHECK(run.out.empty());
    CHECK(run.error == "tickledger: There is nothing at /v1/meters/barn/usage.\n");
}

TEST_CASE("an answer of an unexpected shape gives status 1 and not a crash") {
    FakeDaemon daemon;
    for (const char* body : {"{}", "[]", "no JSON", R"({"meters":[{"id":7}]})"}) {
        daemon.set("/v1/meters", body);
        CAPTURE(body);
        const Run run = daemon.run("meters");
        CHECK(run.status == 1);
        CHECK_THAT(run.error, Catch::Contains("same version"));
    }
}

TEST_CASE("a daemon that is not running gives status 69 and a remedy") {
    FakeDaemon daemon;
    const Run run = daemon.run("--socket /nonexistent/api.sock meters");
    CHECK(run.status == 69);
    CHECK(run.out.empty());
    CHECK_THAT(run.error,
               Catch::Contains("/nonexistent/api.sock") && Catch::Contains("--socket or TICKLEDGER_SOCKET"));
    CHECK(daemon.run("meters --socket '" + std::string(200, 'x') + "'").status == 69);
}

TEST_CASE("the ledger says why a reading after a silence is not booked yet") {
    FakeDaemon daemon;
    daemon.set(
        "/v1/meters/house/ledger",
        R"({"meter":"house","entries":[)"
        R"({"from":"2026-03-01T08:06:00+01:00","to":"2026-03-01T09:09:00+01:00","ticks":null,"kind":"held","unseen_max":null,"placed":true}],)"
        R"("refused":[],"refused_left_out":0,"refused_in_all":0})");
    CHECK_THAT(
        daemon.run("ledger house").out,
        Catch::Contains("may have waited at the node; booked half a cadence after the last of them\n"));
}

TEST_CASE("the ledger shows unknown ticks and, below the entries, refused messages") {
    FakeDaemon daemon;
    daemon.set(
        "/v1/meters/house/ledger",
        R"({"meter":"house","entries":[)"
        R"({"from":"2026-03-01T08:00:00+01:00","to":"2026-03-01T08:03:00+01:00","ticks":3,"kind":"measured","unseen_max":null},)"
        R"({"from":"2026-03-01T08:03:00+01:00","to":"2026-03-01T08:06:00+01:00","ticks":12,"kind":"restart","unseen_max":150,"placed":true},)"
        R"({"from":"2026-03-01T08:06:00+01:00","to":"2026-03-01T08:09:00+01:00","ticks":null,"kind":"held","unseen_max":null}],)"
        R"("refused":[{"at":"2026-03-01T08:01:00+01:00","reason":"unreadable","topic":"nodes/x","payload":"a,\"b\"","text":"It says \"a, b\"."}],"refused_left_out":0,"refused_in_all":1})");
    CHECK(daemon.run("ledger house").out ==
          "house\n"
          "From              To                  Ticks  Kind      Notes\n"
          "2026-03-01 08:00  2026-03-01 08:03        3  measured\n"
          "2026-03-01 08:03  2026-03-01 08:06       12  restart   unseen: at most 150 ticks; time placed by "
          "the cadence\n"
          "2026-03-01 08:06  2026-03-01 08:09  no data  held      waits for the next reading to confirm it\n"
          "\n"
          "Refused at        Reason      Topic    Why\n"
          "2026-03-01 08:01  unreadable  nodes/x  It says \"a, b\".\n");
    CHECK(daemon.run("ledger house --csv").out ==
          "meter,from,to,ticks,kind,unseen_max_ticks,placed,topic,text\r\n"
          "house,2026-03-01T08:00:00+01:00,2026-03-01T08:03:00+01:00,3,measured,,false,,\r\n"
          "house,2026-03-01T08:03:00+01:00,2026-03-01T08:06:00+01:00,12,restart,150,true,,\r\n"
          "house,2026-03-01T08:06:00+01:00,2026-03-01T08:09:00+01:00,,held,,false,,\r\n"
          "house,,2026-03-01T08:01:00+01:00,,refused-unreadable,,,nodes/x,\"It says \"\"a, b\"\".\"\r\n");
}

TEST_CASE("a stretch that calibration did not use has the reason beside it") {
    FakeDaemon daemon;
    daemon.set("/v1/meters", two_meters);
    const auto stretch = [](const char* ticks, const char* volume_l, const char* used) {
        return std::string(
                   R"({"from":"2026-03-01T08:00:00+01:00","to":"2026-03-02T08:00:00+01:00","ticks":)") +
               ticks + R"(,"volume_l":)" + volume_l + R"(,"flow_l_per_h":0.0,"used":)" + used + "}";
    };
    daemon.set("/v1/meters/house/calibration",
               R"({"meter":"house","text":"Too few readings.","stretches":[)" + stretch("3", "3.0", "true") +
                   "," + stretch("0", "5.0", "false") + "," + stretch("4", "0.0", "false") + "," +
                   stretch("7", "7.0", "false") + "]}");
    const std::string out = daemon.run("calibrate house").out;
    const auto place = [&](const char* text) { return out.find(text); };
    REQUIRE(place("no: ticks may have run unseen") != std::string::npos);
    CHECK(place("yes") < place("no: no ticks were booked"));
    CHECK(place("no: no ticks were booked") < place("no: the register did not advance"));
    CHECK(place("no: the register did not advance") < place("no: ticks may have run unseen"));
}

TEST_CASE("health is a short text with the troubles on top") {
    FakeDaemon daemon;
    daemon.set(
        "/v1/health",
        R"({"state":"degraded","version":"0.1.0","time":"2026-03-08T12:00:00+01:00","timezone":"Europe/Berlin",)"
        R"("troubles":["The broker is not connected."],"broker":{"connected":false,"subscribed":false,"trouble":null,"waiting":3},)"
        R"("store":{"error":null},"messages":{"accepted":12,"booked":10,"unreadable":1,"stray":0},)"
        R"("meters":[{"id":"house","last_message_at":null,"silent_since":"2026-03-08T11:00:00+01:00","clock_disbelieved_at":null}]})");
    CHECK(daemon.run("health").out ==
          "tickledgerd 0.1.0 is degraded at 2026-03-08 12:00 (Europe/Berlin)\n"
          "  ! The broker is not connected.\n"
          "Broker: not connected, 3 waiting to be published\n"
          "Messages: 12 accepted, 10 booked, 1 unreadable, 0 stray\n"
          "\n"
          "Meter  Last message  Silent since\n"
          "house  no data       2026-03-08 11:00\n");
}

TEST_CASE("a large answer arrives complete") {
    FakeDaemon daemon;
    std::string rows;
    for (int i = 0; i < 50'000; ++i) {
        rows += (i ? "," : "") +
                row("2026-03-01T00:00:00+01:00", "2026-03-02T00:00:00+01:00",
                    R"("ticks":1,"volume_l":0.001,"covered_s":86400,"spread_ticks":0,"revision":0)");
    }
    const std::string body =
        R"({"meter":"house","timezone":"Europe/Berlin","step":"day","rows":[)" + rows + "]}";
    daemon.set("/v1/meters/house/usage", body);
    // Compared outside CHECK, which would take minutes to print the difference.
    const bool is_same = daemon.run("usage house --json").out == body + "\n";
    CHECK(is_same);
    const bool ends_with_the_sum = daemon.run("usage house").out.ends_with("50000    50.000\n");
    CHECK(ends_with_the_sum);
}

TEST_CASE("help and version go to standard output with status 0") {
    FakeDaemon daemon;
    const Run help = daemon.run("--help");
    CHECK(help.status == 0);
    for (const char* command : {"meters", "usage", "ledger", "alarms", "health"}) {
        CHECK_THAT(help.out, Catch::Contains(command));
    }
    CHECK(daemon.run("--version").status == 0);
    CHECK_THAT(daemon.run("--version").out, Catch::StartsWith("tickledger "));
}

TEST_CASE("text from strangers moved the cursor and was a formula in a spreadsheet") {
    FakeDaemon daemon;
    daemon.set(
        "/v1/meters",
        R"({"meters":[{"id":"house","name":"=1+1\u001b[31m\u0007\nX\u202e\u009b","pulse_value_l":1,)"
        R"("last_reading_at":null,"register_m3":-1.5,"flow_l_per_h":null,"smallest_visible_leak_l_per_h":null,"group":null,"parent":null}]})");
    for (const char* form : {"", "--csv", "--csv --spreadsheet"}) {
        CAPTURE(form);
        const Run run = daemon.run(std::string(form) + " meters");
        CHECK(run.status == 0);
        for (const char* harmful : {"\x1b", "\x07", "\xe2\x80\xae", "\xc2\x9b", "\nX"})
            CHECK(run.out.find(harmful) == std::string::npos);
        // The table has the id. The name is in the records.
        if (*form) CHECK(run.out.find("\\u001b[31m\\u0007\\u000aX\\u202e\\u009b") != std::string::npos);
    }
    CHECK(daemon.run("--csv meters").out.find("house,=1+1") != std::string::npos);
    CHECK(daemon.run("--csv --spreadsheet meters").out.find("house,'=1+1") != std::string::npos);
    // Numbers are not formulas.
    CHECK(daemon.run("--csv --spreadsheet meters").out.find(",-1.5,") != std::string::npos);
    // A JSON document is printed unchanged. JSON escapes control characters anyway.
    CHECK(daemon.run("--json meters").out.find("=1+1\\u001b") != std::string::npos);
    CHECK(daemon.run("--spreadsheet meters").status == 2);

    daemon.refuse("/v1/health", 500, "It is \x1b[2J so.");
    const Run refused = daemon.run("health");
    CHECK(refused.status == 1);
    CHECK(refused.error == "tickledger: It is \\u001b[2J so.\n");
}

}  // namespace
}  // namespace tickledger
