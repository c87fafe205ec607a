// Commands about uses, alarms and being away. The set-up is that of client_test.
#include <catch2/catch.hpp>

#include "client/fake_daemon.hpp"

namespace tickledger {
namespace {

using test::FakeDaemon;
using test::Run;

TEST_CASE("draws are a table with the length of each shower, and the sums of each label below") {
    FakeDaemon daemon;
    daemon.set(
        "/v1/meters/house/draws",
        R"({"meter":"house","timezone":"Europe/Vienna","draws":[)"
        R"({"from":"2026-03-01T07:02:10.500000+01:00","to":"2026-03-01T07:12:20.500000+01:00","ticks":81,"volume_l":81.0,)"
        R"("mean_flow_l_per_h":478.033,"peak_flow_l_per_h":486.000,"label":"shower","confidence":0.97,"blur_s":1,"overlaps":true,"parts":1,"told":false,"name":null},)"
        R"({"from":"2026-03-01T08:00:00+01:00","to":"2026-03-01T08:03:00+01:00","ticks":1,"volume_l":1.0,)"
        R"("mean_flow_l_per_h":null,"peak_flow_l_per_h":null,"label":"tap","confidence":0.80,"blur_s":180,"overlaps":false,"parts":1,"told":false,"name":null}]})");
    CHECK(daemon.run("draws house").out ==
          "house, Europe/Vienna\n"
          "From                           Length  Volume L  Mean L/min  Peak L/min  Probably  Sure  Notes\n"
          "2026-03-01 07:02:10         10:10 min      81.0         8.0         8.1  shower    97 %  beside "
          "another\n"
          "2026-03-01 08:00     at most 3:00 min       1.0                          tap       80 %  readings "
          "3:00 min apart\n"
          "\n"
          "shower: 1, 81.0 L, 10:10 min\n"
          "tap: 1, 1.0 L\n");
    static_cast<void>(daemon.asked());
    CHECK(daemon.run("draws house --label shower --from 2026-03-01").status == 0);
    CHECK(daemon.asked().front() == "/v1/meters/house/draws?from=2026-03-01&label=shower");
    CHECK(daemon.run("draws house --csv").out ==
          "meter,from,to,ticks,volume_l,mean_flow_l_per_h,peak_flow_l_per_h,label,confidence,blur_s,"
          "overlaps,parts,told,name\r\n"
          "house,2026-03-01T07:02:10.500000+01:00,2026-03-01T07:12:20.500000+01:00,81,81,478.033,486,"
          "shower,0.97,1,true,1,false,\r\n"
          "house,2026-03-01T08:00:00+01:00,2026-03-01T08:03:00+01:00,1,1,,,tap,0.8,180,false,1,false,\r\n");
}

TEST_CASE("draws of a day did not mention the leak that had begun the day before") {
    FakeDaemon daemon;
    daemon.set(
        "/v1/meters/house/draws",
        R"({"meter":"house","timezone":"Europe/Vienna","begun_before":[)"
        R"({"from":"2026-02-28T04:12:30+01:00","to":"2026-03-01T23:58:00+01:00","ticks":525,"volume_l":525.0,)"
        R"("mean_flow_l_per_h":12.0,"peak_flow_l_per_h":12.0,"label":"leak","confidence":0.99,"blur_s":60,)"
        R"("overlaps":true,"parts":1,"told":false,"name":null}],"draws":[]})");
    CHECK(daemon.run("draws house").out ==
          "house, Europe/Vienna\n"
          "No draw begins in this range.\n"
          "Begun before this range, and not in the list: leak from 2026-02-28 04:12:30 to 2026-03-01 23:58, "
          "525.0 L at 0.2 L/min.\n");
}

TEST_CASE("the longest shower is named in a sentence, and all showers are listed by length") {
    FakeDaemon daemon;
    daemon.set(
        "/v1/meters/house/draws",
        R"({"meter":"house","timezone":"Europe/Vienna","draws":[)"
        R"({"from":"2026-03-01T06:30:00+01:00","to":"2026-03-01T06:34:00+01:00","ticks":30,"volume_l":30.0,)"
        R"("mean_flow_l_per_h":450,"peak_flow_l_per_h":450,"label":"shower","confidence":0.90,"blur_s":1,"overlaps":false,"parts":1,"told":false,"name":null},)"
        R"({"from":"2026-03-01T07:02:10+01:00","to":"2026-03-01T07:12:20+01:00","ticks":81,"volume_l":81.0,)"
        R"("mean_flow_l_per_h":480,"peak_flow_l_per_h":486,"label":"shower","confidence":0.97,"blur_s":1,"overlaps":false,"parts":2,"told":false,"name":null}]})");
    CHECK(daemon.run("draws house --longest shower").out ==
          "house, Europe/Vienna\n"
          "The longest shower: 10:10 min, 81.0 L at 8.0 L/min, from 2026-03-01 07:02:10 (97 % sure).\n"
          "\n"
          "From                    Length  Volume L  Mean L/min  Peak L/min  Probably  Sure  Notes\n"
          "2026-03-01 07:02:10  10:10 min      81.0         8.0         8.1  shower    97 %  ran 2 times\n"
          "2026-03-01 06:30      4:00 min      30.0         7.5         7.5  shower    90 %\n");
    CHECK_THAT(daemon.asked(), Catch::VectorContains(std::string("/v1/meters/house/draws?label=shower")));
    daemon.set(
        "/v1/meters/house/draws",
        R"({"meter":"house","timezone":"Europe/Vienna","draws":[)"
        R"({"from":"2026-03-01T07:03:00+01:00","to":"2026-03-01T07:24:00+01:00","ticks":131,"volume_l":131.0,)"
        R"("mean_flow_l_per_h":374,"peak_flow_l_per_h":374,"label":"shower","confidence":0.80,"blur_s":180,"overlaps":false,"parts":1,"told":false,"name":null}]})");
    CHECK_THAT(daemon.run("draws house --longest shower").out, Catch::Contains("it may have been several"));
    CHECK(daemon.run("draws house --longest shower --label tap").status != 0);
}

TEST_CASE("a statement about a use is sent to the daemon, and its answer is shown") {
    FakeDaemon daemon;
    daemon.set(
        "/v1/meters/house/draws",
        R"({"meter":"house","timezone":"Europe/Vienna","draw":)"
        R"({"from":"2026-03-01T07:02:10+01:00","to":"2026-03-01T07:12:20+01:00","ticks":81,"volume_l":81.0,)"
        R"("mean_flow_l_per_h":480,"peak_flow_l_per_h":486,"label":"shower","confidence":1.00,"blur_s":1,"overlaps":false,"parts":1,"told":true,"name":"Ada's"},)"
        R"("text":"Saved as shower, Ada's. Similar uses, earlier and later, are now labelled the same way."})");
    CHECK(daemon.run("draws house --at 07:10 --was shower --named Ada").out ==
          "house, Europe/Vienna\n"
          "From                    Length  Volume L  Mean L/min  Peak L/min  Probably       Sure  Notes\n"
          "2026-03-01 07:02:10  10:10 min      81.0         8.0         8.1  shower, Ada's  told\n"
          "\n"
          "Saved as shower, Ada's. Similar uses, earlier and later, are now labelled the same way.\n");
    CHECK(daemon.run("draws house --was shower").status != 0);
    CHECK(daemon.run("draws house --at 07:10").status != 0);
}

TEST_CASE("alarms and undecided nights are tables, filtered by the daemon") {
    FakeDaemon daemon;
    daemon.set(
        "/v1/alarms",
        R"({"alarms":[{"id":7,"meter":"house","kind":"night-flow","state":"unacknowledged","raised_at":"2026-03-02T05:00:00+01:00",)"
        R"("cleared_at":null,"acknowledged_at":null,"shelved_until":null,"evidence":{},"text":"Water ran all night."}],)"
        R"("undecided":[{"meter":"house","kind":"night-flow","from":"2026-03-04T01:00:00+01:00","to":"2026-03-04T05:00:00+01:00","text":"Data is missing."}]})");
    CHECK(daemon.run("alarms house --state unacknowledged").out ==
          "Raised            Cleared  Meter  Alarm       State           Id  Meaning\n"
          "2026-03-02 05:00  lasts    house  night-flow  unacknowledged   7  Water ran all night.\n"
          "\n"
          "Undecided from    To                Meter  Alarm       Why\n"
          "2026-03-04 01:00  2026-03-04 05:00  house  night-flow  Data is missing.\n");
    CHECK(daemon.asked().front() == "/v1/alarms?meter=house&state=unacknowledged");
    CHECK(daemon.run("alarms --csv").out ==
          "id,meter,kind,state,raised_at,cleared_at,acknowledged_at,shelved_until,text\r\n"
          "7,house,night-flow,unacknowledged,2026-03-02T05:00:00+01:00,,,,Water ran all night.\r\n"
          ",house,night-flow,undecided,2026-03-04T01:00:00+01:00,2026-03-04T05:00:00+01:00,,,Data is "
          "missing.\r\n");
}

TEST_CASE("an alarm is acknowledged, shelved and unshelved by its id") {
    FakeDaemon daemon;
    const auto alarm = [](const std::string& state, const std::string& shelved_until) {
        return R"({"id":7,"meter":"house","kind":"night-flow","state":")" + state +
               R"(","raised_at":"2026-03-02T05:00:00+01:00","cleared_at":null,"acknowledged_at":null,)"
               R"("shelved_until":)" +
               shelved_until + R"(,"evidence":{},"text":"Water ran all night."})";
    };
    daemon.set("/v1/alarms/7/acknowledge", alarm("acknowledged", "null"));
    daemon.set("/v1/alarms/7/shelve", alarm("shelved", R"("2026-03-04T08:00:00+01:00")"));
    daemon.set("/v1/alarms/7/unshelve", alarm("unacknowledged", "null"));
    CHECK(daemon.run("alarms --acknowledge 7").out ==
          "Raised            Cleared  Meter  Alarm       State         Id  Meaning\n"
          "2026-03-02 05:00  lasts    house  night-flow  acknowledged   7  Water ran all night.\n");
    CHECK_THAT(daemon.run("alarms --shelve 7 --for 2d").out,
               Catch::Contains(" shelved until 2026-03-04 08:00 "));
    CHECK(daemon.bodies() == std::vector<std::string>{"", "", R"({"for":"PT172800S"})", ""});
    CHECK(daemon.run("alarms --shelve 7 --for P1W --json").out ==
          alarm("shelved", R"("2026-03-04T08:00:00+01:00")") + "\n");
    CHECK(daemon.bodies() == std::vector<std::string>{R"({"for":"P1W"})"});
    CHECK(daemon.run("alarms --unshelve 7").status == 0);
    auto asked = daemon.asked();
    std::erase(asked, "/v1/meters");
    CHECK(asked == std::vector<std::string>{"/v1/alarms/7/acknowledge", "/v1/alarms/7/shelve",
                                            "/v1/alarms/7/shelve", "/v1/alarms/7/unshelve"});
    for (const char* wrong : {"--shelve 7", "--for 2d", "--shelve 7 --for soon", "--shelve 7 --for 0",
                              "--acknowledge 7 --unshelve 7", "--acknowledge 7 --state normal"}) {
        INFO(wrong);
        CHECK(daemon.run(std::string("alarms ") + wrong).status == 2);
    }
    CHECK(daemon.asked().empty());
}

TEST_CASE("an acknowledgement is taken back, and all waiting alarms are acknowledged at once") {
    FakeDaemon daemon;
    const auto alarm = [](int id, const std::string& state) {
        return R"({"id":)" + std::to_string(id) + R"(,"meter":"house","kind":"night-flow","state":")" +
               state +
               R"(","raised_at":"2026-03-02T05:00:00+01:00","cleared_at":null,"acknowledged_at":null,)"
               R"("shelved_until":null,"evidence":{},"text":"Water ran all night."})";
    };
    daemon.set("/v1/alarms/7/unacknowledge", alarm(7, "unacknowledged"));
    CHECK_THAT(daemon.run("alarms --unacknowledge 7").out, Catch::Contains("  unacknowledged   7  "));

    daemon.set("/v1/alarms?state=unacknowledged",
               R"({"alarms":[)" + alarm(7, "unacknowledged") + R"(],"undecided":[]})");
    daemon.set("/v1/alarms?state=returned-unacknowledged",
               R"({"alarms":[)" + alarm(5, "returned-unacknowledged") + R"(],"undecided":[]})");
    daemon.set("/v1/alarms/7/acknowledge", alarm(7, "acknowledged"));
    daemon.set("/v1/alarms/5/acknowledge", alarm(5, "normal"));
    static_cast<void>(daemon.asked());
    const std::string out = daemon.run("alarms --acknowledge-all").out;
    CHECK_THAT(out, Catch::Contains("  acknowledged   7  ") && Catch::Contains("  normal         5  "));
    auto asked = daemon.asked();
    std::erase(asked, "/v1/meters");
    CHECK(asked == std::vector<std::string>{"/v1/alarms?state=unacknowledged", "/v1/alarms/7/acknowledge",
                                            "/v1/alarms?state=returned-unacknowledged",
                                            "/v1/alarms/5/acknowledge"});
    daemon.set("/v1/alarms?meter=house&state=unacknowledged", R"({"alarms":[],"undecided":[]})");
    daemon.set("/v1/alarms?meter=house&state=returned-unacknowledged", R"({"alarms":[],"undecided":[]})");
    CHECK(daemon.run("alarms house --acknowledge-all").out == "No alarm is waiting to be acknowledged.\n");
    CHECK(daemon.run("alarms --acknowledge-all --acknowledge 7").status == 2);
}

TEST_CASE("people say that they are away, with start and end, and that they are home") {
    FakeDaemon daemon;
    daemon.set("/v1/health", R"({"time":"2026-03-08T12:00:00+01:00"})");
    daemon.set(
        "/v1/meters/house/away",
        R"({"meter":"house","away":true,"away_from":"2026-03-08T12:00:00+01:00","away_to":null,"text":"Away."})");
    CHECK(daemon.run("away house").out == "Away.\n");
    CHECK(daemon.run("away house --from 2026-07-01 --until 2026-07-15").status == 0);
    CHECK(daemon.run("away house --for 14d").status == 0);
    CHECK(daemon.run("back house --csv").out ==
          "meter,away,away_from,away_to\r\nhouse,true,2026-03-08T12:00:00+01:00,\r\n");
    auto bodies = daemon.bodies();
    std::erase(bodies, "");
    CHECK(bodies == std::vector<std::string>{R"({"away":true})",
                                             R"({"away":true,"from":"2026-07-01","to":"2026-07-15"})",
                                             R"({"away":true,"to":"2026-03-22T11:00:00.000000Z"})"});
    for (const char* wrong : {"--for soon", "--for 0", "--for 2d --until 2026-07-15"}) {
        INFO(wrong);
        CHECK(daemon.run(std::string("away house ") + wrong).status == 2);
    }
}

}  // namespace
}  // namespace tickledger
