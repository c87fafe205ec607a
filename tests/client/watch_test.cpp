// `watch`: events as the terminal shows them.
#include <signal.h>

#include <algorithm>
#include <catch2/catch.hpp>

#include "client/fake_daemon.hpp"
#include "support/child_process.hpp"

namespace tickledger {
namespace {

using test::ChildProcess;
using test::FakeDaemon;
using test::wait_until;

const std::string hello = "retry: 3000\n\nevent: hello\ndata: {\"time\":\"2026-03-08T07:00:00+01:00\"}\n\n";

std::string reading(const std::string& time, const std::string& flow, const std::string& today) {
    return "event: reading\ndata: {\"meter\":\"house\",\"time\":\"2026-03-08T" + time +
           "+01:00\",\"flow_l_per_h\":" + flow + ",\"register_m3\":1.0,\"today_l\":" + today + "}\n\n";
}

const std::string alarm =
    "event: alarm\ndata: {\"id\":7,\"meter\":\"garden\",\"kind\":\"night-flow\",\"state\":\"unacknowledged\","
    "\"raised_at\":\"2026-03-08T05:00:00+01:00\",\"cleared_at\":null,\"acknowledged_at\":null,\"text\":\"Water ran all night.\"}\n\n";

constexpr const char* meters =
    R"({"meters":[{"id":"house","last_reading_at":"2026-03-08T06:57:00+01:00","flow_l_per_h":0.000},)"
    R"({"id":"garden","last_reading_at":null,"flow_l_per_h":null}]})";

struct Watching {
    explicit Watching(const std::vector<std::string>& arguments = {}) : arguments_(arguments) {
        daemon.set("/v1/meters", meters);
    }

    void begin() {
        std::vector<std::string> line{TICKLEDGER_CLIENT, "--socket", daemon.socket.string(), "watch"};
        line.insert(line.end(), arguments_.begin(), arguments_.end());
        program = std::make_unique<ChildProcess>(
            line, ChildProcess::Files{"/dev/null", directory / "out", directory / "error"});
    }
    [[nodiscard]] std::string out() const { return test::read_file(directory / "out"); }
    [[nodiscard]] std::string error() const { return test::read_file(directory / "error"); }
    [[nodiscard]] bool shows(const std::string& text) const {
        return wait_until([&] { return out().find(text) != std::string::npos; });
    }

    FakeDaemon daemon;
    test::TempDirectory directory;
    std::unique_ptr<ChildProcess> program;

private:
    std::vector<std::string> arguments_;
};

}  // namespace

TEST_CASE("watch shows flow, then its draws, alarms and troubles, and Ctrl-C ends it with status 0") {
    Watching watching;
    watching.daemon.set(
        "/v1/meters/house/draws",
        R"({"draws":[{"from":"2026-03-08T07:00:20+01:00","to":"2026-03-08T07:06:40+01:00","volume_l":48.0,)"
        R"("label":"shower","confidence":0.97}]})");
    watching.daemon.set(
        "/v1/stream", hello + reading("07:00:00", "0.000", "12.000") +
                          reading("07:03:00", "480.000", "36.000") +
                          reading("07:06:00", "4800.000", "60.000") + reading("07:09:00", "0.000", "60.000") +
                          reading("07:12:00", "0.000", "60.000") + alarm +
                          "event: health\ndata: {\"state\":\"degraded\",\"troubles\":[\"The broker is "
                          "not connected.\"]}\n\n"
                          "event: health\ndata: {\"state\":\"up\",\"troubles\":[]}\n\n");
    watching.begin();
    REQUIRE(watching.shows("All is well again.\n"));
    CHECK(watching.out() ==
          "06:57:00  house   stands still\n"
          "--:--:--  garden  not heard yet\n"
          "07:03:00  house     480.0 L/h  ########              today 36.0 L\n"
          "07:06:00  house    4800.0 L/h  ####################  today 60.0 L\n"
          "07:09:00  house   stands still                       today 60.0 L\n"
          "07:00:20  house   draw of 48.0 L in 6:20 min, probably shower (97 %)\n"
          "05:00:00  garden  ALARM night-flow is unacknowledged. Water ran all night.\n"
          "! The broker is not connected.\n"
          "All is well again.\n");
    // Draws are requested from the last reading without flow on. Standing still is reported once.
    const auto asked = watching.daemon.asked();
    CHECK(std::ranges::count(asked, "/v1/meters/house/draws?from=2026-03-08T07:00:00+01:00") == 1);
    watching.program->signal(SIGINT);
    CHECK(watching.program->wait() == 0);
    CHECK(watching.error().empty());
}

TEST_CASE("watch showed ids where people had given names") {
    Watching watching;
    watching.daemon.set(
        "/v1/meters",
        R"({"meters":[{"id":"house","name":"Küche, kalt","last_reading_at":null,"flow_l_per_h":null},)"
        R"({"id":"garden","name":null,"last_reading_at":null,"flow_l_per_h":null}]})");
    watching.daemon.set("/v1/stream", hello + reading("07:03:00", "480.000", "36.000"));
    watching.begin();
    REQUIRE(watching.shows("today 36.0 L\n"));
    CHECK(watching.out() ==
          "--:--:--  house (Küche, kalt)  not heard yet\n"
          "--:--:--  garden               not heard yet\n"
          "07:03:00  house (Küche, kalt)    480.0 L/h  ########              today 36.0 L\n");
}

TEST_CASE("a change of an alarm had the time at which the alarm was raised") {
    const auto changed = [](const std::string& state, const std::string& rest) {
        return "event: alarm\ndata: {\"id\":7,\"meter\":\"garden\",\"kind\":\"night-flow\",\"state\":\"" +
               state + "\",\"raised_at\":\"2026-03-08T05:00:00+01:00\"," + rest +
               ",\"text\":\"Water ran.\"}\n\n";
    };
    const std::string open = R"("cleared_at":null,"acknowledged_at":null,"shelved_until":)";
    const std::string acknowledged =
        R"("acknowledged_at":"2026-03-08T06:30:00+01:00","shelved_until":null,"cleared_at":)";
    Watching watching;
    watching.daemon.set("/v1/alarms", R"({"alarms":[],"undecided":[]})");
    watching.daemon.set("/v1/health", R"({"time":"2026-03-08T06:10:00+01:00"})");
    watching.daemon.set("/v1/stream", hello + changed("unacknowledged", open + "null") +
                                          changed("shelved", open + R"("2026-03-09T06:10:00+01:00")") +
                                          changed("unacknowledged", open + "null") +
                                          changed("acknowledged", acknowledged + "null") +
                                          changed("normal", acknowledged + R"("2026-03-08T07:00:00+01:00")"));
    watching.begin();
    REQUIRE(watching.shows("is normal"));
    const std::string out = watching.out();
    CHECK(out.substr(out.find("05:00")) ==
          "05:00:00  garden  ALARM night-flow is unacknowledged. Water ran.\n"
          "06:10:00  garden  ALARM night-flow is shelved. Water ran.\n"
          "06:10:00  garden  ALARM night-flow is unacknowledged. Water ran.\n"
          "06:30:00  garden  ALARM night-flow is acknowledged. Water ran.\n"
          "07:00:00  garden  ALARM night-flow is normal. Water ran.\n");
}

TEST_CASE("watch knew nothing of alarms that had been raised before it began") {
    Watching watching;
    const std::string before =
        R"({"id":7,"meter":"garden","kind":"night-flow","state":"unacknowledged",)"
        R"("raised_at":"2026-03-08T05:00:00+01:00","cleared_at":null,"acknowledged_at":null,"text":"Water ran."})";
    watching.daemon.set("/v1/alarms", R"({"alarms":[)" + before + R"(],"undecided":[]})");
    watching.daemon.set("/v1/health", R"({"time":"2026-03-08T06:10:00+01:00"})");
    std::string shelved = before;
    shelved.replace(shelved.find("unacknowledged"), 14, "shelved");
    watching.daemon.set("/v1/stream", hello + "event: alarm\ndata: " + shelved + "\n\n");
    watching.begin();
    CHECK(watching.shows("06:10:00  garden  ALARM night-flow is shelved."));
}

TEST_CASE("all troubles were shown again whenever a number in one of them changed") {
    const auto health = [](const std::string& troubles) {
        return "event: health\ndata: {\"state\":\"degraded\",\"troubles\":[" + troubles + "]}\n\n";
    };
    const std::string broker = R"("The broker is not connected.")";
    const auto unheard = [](const std::string& meter, const std::string& length) {
        return "\"No message for " + meter + " has arrived on nodes/water in the " + length +
               " since the daemon subscribed.\"";
    };
    Watching watching;
    watching.daemon.set("/v1/stream", hello + health(broker + "," + unheard("flat-1", "58 seconds")) +
                                          health(broker + "," + unheard("flat-1", "1 minute")) +
                                          health(unheard("flat-1", "1 hour 2 minutes") + "," +
                                                 unheard("flat-2", "4 seconds")) +
                                          health(unheard("flat-2", "8 seconds") + "," + broker) + health(""));
    watching.begin();
    REQUIRE(watching.shows("All is well again.\n"));
    const std::string out = watching.out();
    CHECK(
        out.substr(out.find('!')) ==
        "! The broker is not connected.\n"
        "! No message for flat-1 has arrived on nodes/water in the 58 seconds since the daemon subscribed.\n"
        "! No message for flat-2 has arrived on nodes/water in the 4 seconds since the daemon subscribed.\n"
        "! The broker is not connected.\n"
        "All is well again.\n");
}

TEST_CASE("watch of one meter requests only that meter, and --json prints the events unchanged") {
    Watching watching({"house", "--json"});
    watching.daemon.set("/v1/stream", hello + reading("07:00:00", "0.000", "12.000"));
    watching.begin();
    REQUIRE(watching.shows("\"today_l\":12.000}}\n"));
    CHECK(watching.out() ==
          "{\"event\":\"hello\",\"data\":{\"time\":\"2026-03-08T07:00:00+01:00\"}}\n"
          "{\"event\":\"reading\",\"data\":{\"meter\":\"house\",\"time\":\"2026-03-08T07:00:00+01:00\","
          "\"flow_l_per_h\":0.000,\"register_m3\":1.0,\"today_l\":12.000}}\n");
    CHECK(watching.daemon.asked() == std::vector<std::string>{"/v1/stream?meter=house"});
}

TEST_CASE("a lost connection is reported, and watch continues when the daemon is back") {
    Watching watching;
    watching.daemon.set("/v1/stream", hello + reading("07:00:00", "60.000", "1.000"));
    watching.begin();
    REQUIRE(watching.shows("today 1.0 L"));
    watching.daemon.stop();
    REQUIRE(wait_until(
        [&] { return watching.error().find("connection to the daemon was lost") != std::string::npos; }));
    watching.daemon.set("/v1/stream", hello + reading("08:00:00", "60.000", "2.000"));
    watching.daemon.start();
    CHECK(watching.shows("today 2.0 L"));
}

TEST_CASE("watch ends at once without an answer, when refused, and with --csv") {
    FakeDaemon daemon;
    CHECK(daemon.run("--socket /nonexistent/api.sock watch").status == 69);
    const auto refused = daemon.run("watch barn");
    CHECK(refused.status == 1);
    CHECK(refused.error == "tickledger: There is nothing at /v1/stream?meter=barn.\n");
    CHECK(daemon.run("watch --csv").status == 2);
}

TEST_CASE("rows of usage have bars on request, and a paler bar marks an incomplete row") {
    FakeDaemon daemon;
    daemon.set(
        "/v1/meters/house/usage",
        R"({"meter":"house","timezone":"Europe/Berlin","step":"day","rows":[)"
        R"({"from":"2026-03-01T00:00:00+01:00","to":"2026-03-02T00:00:00+01:00","ticks":200,"volume_l":200.000,"covered_s":86400,"spread_ticks":0,"revision":0},)"
        R"({"from":"2026-03-02T00:00:00+01:00","to":"2026-03-03T00:00:00+01:00","ticks":25,"volume_l":25.000,"covered_s":86400,"spread_ticks":0,"revision":0},)"
        R"({"from":"2026-03-03T00:00:00+01:00","to":"2026-03-04T00:00:00+01:00","ticks":50,"volume_l":50.000,"covered_s":43200,"spread_ticks":0,"revision":0},)"
        R"({"from":"2026-03-04T00:00:00+01:00","to":"2026-03-05T00:00:00+01:00","ticks":null,"volume_l":null,"covered_s":0,"spread_ticks":0,"revision":0}]})");
    CHECK(daemon.run("usage house --bars").out ==
          "house, by day, Europe/Berlin\n"
          "From          Ticks  Volume L                            Notes\n"
          "2026-03-01      200   200.000  ████████████████████████\n"
          "2026-03-02       25    25.000  ███\n"
          "2026-03-03       50    50.000  ▒▒▒▒▒▒                    incomplete: 12 h 00 min of 24 h 00 min\n"
          "2026-03-04  no data   no data\n"
          "Total           275   275.000\n");
    // Output that is not a terminal gets no bars unless they are requested.
    CHECK(daemon.run("usage house").out.find("█") == std::string::npos);
}

}  // namespace tickledger
