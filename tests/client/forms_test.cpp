// Every command in every output format, with documents as the daemon writes them.
#include <catch2/catch.hpp>

#include "client/fake_daemon.hpp"

namespace tickledger {
namespace {

using test::FakeDaemon;
using test::Run;

const std::string alarm =
    R"({"id":7,"meter":"house","kind":"night-flow","state":"unacknowledged","raised_at":"2026-03-02T05:00:00+01:00",)"
    R"("cleared_at":null,"acknowledged_at":null,"shelved_until":null,"evidence":{},"text":"Water ran all night."})";

const std::string reading =
    R"({"meter":"house","time":"2026-03-08T11:00:00+01:00","reading_m3":1.0,"start":false,)"
    R"("adjustment":{"from":"2026-03-01T00:00:00+01:00","to":"2026-03-08T11:00:00+01:00","ticks":-2,"volume_l":-2.0},)"
    R"("text":"Two too many."})";

void set_all(FakeDaemon& daemon) {
    daemon.set(
        "/v1/health",
        R"({"state":"up","version":"0.1.0","time":"2026-03-08T12:00:00+01:00","timezone":"Europe/Berlin","troubles":[],)"
        R"("broker":{"connected":true,"subscribed":true,"trouble":null,"waiting":0},)"
        R"("store":{"error":null,"ledger_bytes":1,"free_bytes":null},)"
        R"("messages":{"accepted":1,"booked":1,"unreadable":0,"stray":0},)"
        R"("meters":[{"id":"house","last_message_at":null,"silent_since":null,"clock_disbelieved_at":null}]})");
    daemon.set(
        "/v1/meters",
        R"({"meters":[{"id":"house","name":"Main meter","group":null,"parent":null,"pulse_value_l":1,)"
        R"("last_reading_at":null,"register_m3":null,"flow_l_per_h":null,"flow_known":false,"flow_age_s":null,)"
        R"("smallest_visible_leak_l_per_h":null,"away":false,"away_from":null,"away_to":null}]})");
    const std::string usage =
        R"({"meter":"house","timezone":"Europe/Berlin","step":"day","rows":[{"from":"2026-03-01T00:00:00+01:00",)"
        R"("to":"2026-03-02T00:00:00+01:00","ticks":null,"volume_l":null,"covered_s":0,"spread_ticks":0,)"
        R"("revision":0}]})";
    daemon.set("/v1/meters/house/usage", usage);
    daemon.set("/v1/usage", "{\"meters\":[" + usage + "]}");
    daemon.set(
        "/v1/meters/house/draws",
        R"({"meter":"house","timezone":"Europe/Berlin","draws":[{"from":"2026-03-01T08:00:00+01:00",)"
        R"("to":"2026-03-01T08:03:00+01:00","ticks":1,"volume_l":1.0,"mean_flow_l_per_h":null,)"
        R"("peak_flow_l_per_h":null,"label":"tap","confidence":0.80,"blur_s":180,"overlaps":false,"parts":1,"told":false,"name":null}]})");
    daemon.set(
        "/v1/meters/house/ledger",
        R"({"meter":"house","entries":[{"from":"2026-03-01T08:00:00+01:00","to":"2026-03-01T08:03:00+01:00",)"
        R"("ticks":3,"kind":"measured","unseen_max":null}],"refused":[],"refused_left_out":0,"refused_in_all":0})");
    daemon.set(
        "/v1/meters/house/register",
        R"({"meter":"house","time":"2026-03-08T12:00:00+01:00","register_m3":1.0,"low_m3":0.9,"high_m3":1.1,)"
        R"("resolution_m3":0.001,"start_told":true,"text":"One.","readings":[)" +
            reading + "]}");
    daemon.set(
        "/v1/meters/house/calibration",
        R"({"meter":"house","text":"Too few readings.","stretches":[{"from":"2026-03-01T08:00:00+01:00",)"
        R"("to":"2026-03-01T08:03:00+01:00","ticks":3,"volume_l":3.0,"flow_l_per_h":60.0,"used":true}]})");
    daemon.set(
        "/v1/meters/house/history",
        R"({"meter":"house","timezone":"Europe/Berlin","ends_by":"2026-03-01T00:00:00+01:00","imports":[)"
        R"({"name":"bills","from":"2025-01-01T00:00:00+01:00","to":"2026-01-01T00:00:00+01:00",)"
        R"("entries":12,"ticks":7,"volume_l":7.0}]})");
    daemon.set("/v1/meters/house/away",
               R"({"meter":"house","away":true,"away_from":null,"away_to":null,"text":"Away."})");
    daemon.set(
        "/v1/alarms",
        R"({"alarms":[)" + alarm +
            R"(],"undecided":[{"meter":"house","kind":"night-flow","from":"2026-03-04T01:00:00+01:00",)"
            R"("to":"2026-03-04T05:00:00+01:00","text":"Data is missing."}]})");
    for (const char* what : {"acknowledge", "unacknowledge", "shelve", "unshelve"})
        daemon.set(std::string("/v1/alarms/7/") + what, alarm);
}

}  // namespace

TEST_CASE("tickledger --csv health crashed, so every command runs in every format") {
    FakeDaemon daemon;
    set_all(daemon);
    for (const char* command : {"meters",
                                "usage",
                                "usage house",
                                "usage house --bars",
                                "usage house --cost",
                                "draws",
                                "draws house",
                                "ledger",
                                "register",
                                "calibrate",
                                "alarms",
                                "alarms --acknowledge 7",
                                "alarms --unacknowledge 7",
                                "alarms --acknowledge-all",
                                "alarms --shelve 7 --for 1d",
                                "alarms --unshelve 7",
                                "away",
                                "back",
                                "import house",
                                "import house --undo bills",
                                "health",
                                "register --take-back 2026-03-08T11:00:00+01:00"}) {
        for (const char* form : {"", "--csv ", "--json "}) {
            CAPTURE(command, form);
            const Run run = daemon.run(std::string(form) + command);
            CHECK(run.status == 0);
            CHECK(run.error.empty());
            CHECK_FALSE(run.out.empty());
        }
    }
    // A reading that is set needs another document from the fake daemon.
    daemon.set("/v1/meters/house/register", reading);
    for (const char* form : {"", "--csv ", "--json "}) {
        CAPTURE(form);
        CHECK(daemon.run(std::string(form) + "register --set 1.0 --yes").status == 0);
        CHECK(daemon.run(std::string(form) + "register --start 1.0").status == 0);
    }
    CHECK(daemon.run("--csv health").out.starts_with("name,value\r\n"));
}

TEST_CASE("exports lacked what the table is for: the expected register, groups, and what was told of a use") {
    FakeDaemon daemon;
    set_all(daemon);
    CHECK(daemon.run("--csv register house").out ==
          "meter,time,reading_m3,start,adjustment_ticks,text,register_m3,low_m3,high_m3\r\n"
          "house,2026-03-08T12:00:00+01:00,,,,One.,1,0.9,1.1\r\n"
          "house,2026-03-08T11:00:00+01:00,1,false,-2,Two too many.,,,\r\n");
    daemon.set("/v1/meters/house/register",
               R"({"meter":"house","time":null,"register_m3":null,"text":"Nothing yet.","readings":[]})");
    CHECK_THAT(daemon.run("--csv register house").out, Catch::EndsWith("house,,,,,Nothing yet.,,,\r\n"));
    CHECK(daemon.run("register house").out == "house (Main meter): no data\nNothing yet.\n");
    CHECK(daemon.run("--csv draws house").out ==
          "meter,from,to,ticks,volume_l,mean_flow_l_per_h,peak_flow_l_per_h,label,confidence,blur_s,overlaps,"
          "parts,told,name\r\n"
          "house,2026-03-01T08:00:00+01:00,2026-03-01T08:03:00+01:00,1,1,,,tap,0.8,180,false,1,false,\r\n");
    daemon.set("/v1/meters",
               R"({"meters":[{"id":"flat-1","name":null,"group":"stairs","parent":"house","pulse_value_l":1,)"
               R"("last_reading_at":null,"register_m3":null,"flow_l_per_h":null,)"
               R"("smallest_visible_leak_l_per_h":null}]})");
    CHECK(daemon.run("--csv meters").out ==
          "meter,name,pulse_value_l,last_reading_at,register_m3,flow_l_per_h,smallest_visible_leak_l_per_h,"
          "group,parent\r\n"
          "flat-1,,1,,,,,stairs,house\r\n");
}

}  // namespace tickledger
