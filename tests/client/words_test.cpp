// Texts at the terminal: names, refusals, typing mistakes, explained words, and questions before a booking.
#include <catch2/catch.hpp>

#include "client/fake_daemon.hpp"
#include "client/glossary.hpp"
#include "client/ranges.hpp"
#include "client/table.hpp"
#include "client/told_number.hpp"

namespace tickledger {
namespace {

using test::FakeDaemon;
using test::Run;

const std::string building = R"({"meters":[{"id":"house","name":"Main meter","group":null,"parent":null},)"
                             R"({"id":"flat-1","name":"Küche, kalt","group":"staircase 1","parent":"house"},)"
                             R"({"id":"flat-2","name":null,"group":"staircase 1","parent":"house"}]})";

std::string days(const std::string& meter, const std::string& first_l, const std::string& second) {
    return R"({"meter":")" + meter +
           R"(","timezone":"Europe/Berlin","step":"day","rows":[)"
           R"({"from":"2026-03-01T00:00:00+01:00","to":"2026-03-02T00:00:00+01:00","ticks":1,"volume_l":)" +
           first_l +
           R"(,"covered_s":86400,"spread_ticks":0,"revision":0},)"
           R"({"from":"2026-03-02T00:00:00+01:00","to":"2026-03-03T00:00:00+01:00",)" +
           second + R"(,"spread_ticks":0,"revision":0}]})";
}

void set_building(FakeDaemon& daemon) {
    const std::string house = days("house", "100.0", R"("ticks":1,"volume_l":90.0,"covered_s":86400)");
    const std::string flat_1 = days("flat-1", "40.0", R"("ticks":1,"volume_l":30.5,"covered_s":3600)");
    const std::string flat_2 = days("flat-2", "55.0", R"("ticks":null,"volume_l":null,"covered_s":0)");
    daemon.set("/v1/meters", building);
    daemon.set("/v1/meters/house/usage", house);
    daemon.set("/v1/meters/flat-1/usage", flat_1);
    daemon.set("/v1/usage", "{\"meters\":[" + house + "," + flat_1 + "," + flat_2 + "]}");
    daemon.set("/v1/usage?group=staircase 1", "{\"meters\":[" + flat_1 + "," + flat_2 + "]}");
}

}  // namespace

TEST_CASE("several meters are one table with the sums of groups, and water of the main meter counts once") {
    FakeDaemon daemon;
    set_building(daemon);
    CHECK(daemon.run("usage").out ==
          "Litres by day, Europe/Berlin\n"
          "Meter                                   03-01    03-02     Sum\n"
          "house (Main meter)                      100.0     90.0   190.0\n"
          "flat-1 (Küche, kalt)                     40.0    30.5*   70.5*\n"
          "flat-2                                   55.0  no data   55.0*\n"
          "Sum of staircase 1                       95.0    30.5*  125.5*\n"
          "house (Main meter) less those below it    5.0    59.5*   64.5*\n"
          "Sum                                     100.0     90.0   190.0\n"
          "* Not all of it was seen.\n");
    // Two requests, however many meters there are: one for their usage, one for their names.
    CHECK(daemon.asked() == std::vector<std::string>{"/v1/usage", "/v1/meters"});
}

TEST_CASE("exports have one column for each meter, empty without data") {
    FakeDaemon daemon;
    set_building(daemon);
    CHECK(daemon.run("--csv usage --wide").out ==
          "from,to,house_l,flat-1_l,flat-2_l\r\n"
          "2026-03-01T00:00:00+01:00,2026-03-02T00:00:00+01:00,100,40,55\r\n"
          "2026-03-02T00:00:00+01:00,2026-03-03T00:00:00+01:00,90,30.5,\r\n");
    CHECK(daemon.run("--csv usage --wide --group 'staircase 1'")
              .out.starts_with("from,to,flat-1_l,flat-2_l\r\n"));
    CHECK(daemon.run("usage --wide").status == 2);
    daemon.refuse("/v1/usage", 404, "There is no meter in the group \"staircase 9\".");
    const Run nobody = daemon.run("usage --group 'staircase 9'");
    CHECK(nobody.status == 2);
    CHECK(nobody.error ==
          "tickledger: No meter is in the group \"staircase 9\". `tickledger meters` shows the groups.\n");
}

TEST_CASE("a meter is found by its given name") {
    FakeDaemon daemon;
    set_building(daemon);
    const Run run = daemon.run("usage 'Küche, kalt'");
    CHECK(run.status == 0);
    CHECK_THAT(run.out, Catch::StartsWith("flat-1 (Küche, kalt), by day, Europe/Berlin\n"));
    CHECK_THAT(daemon.run("usage 'Kuche, kalt'").error,
               Catch::Contains("There is no meter \"Kuche, kalt\"; did you mean \"Küche, kalt\"?"));
}

TEST_CASE("a week is requested as days and shown from its Monday") {
    FakeDaemon daemon;
    set_building(daemon);
    const Run run = daemon.run("usage house --step week");
    CHECK(daemon.asked() ==
          std::vector<std::string>{"/v1/meters/house/usage?step=day&from=monday-3w", "/v1/meters"});
    // 1 March 2026 is a Sunday (ISO 8601: the week's last day).
    CHECK(run.out ==
          "house (Main meter), by week, Europe/Berlin\n"
          "From        Ticks  Volume L  Notes\n"
          "2026-03-01      1   100.000\n"
          "2026-03-02      1    90.000\n"
          "Total           2   190.000\n");
    CHECK(daemon.run("--json usage house --step week").status == 2);
}

TEST_CASE("points of a range are written as people say them and sent in the daemon's form") {
    CHECK(point_in("now") == "now");
    CHECK(point_in("today") == "today");
    CHECK(point_in("yesterday") == "today-1d");
    CHECK(point_in("2w") == "today-2w");
    CHECK(point_in("10d") == "today-10d");
    CHECK(point_in("90min") == "now-90min");
    for (const char* text : {"", "2026-03-01", "2026-03-01T08:00:00+01:00", "someday", "w", "2028"})
        CHECK(point_in(text) == text);
    CHECK(iso_length("1w").value() == "PT604800S");
}

TEST_CASE("a refusal mentioned HTTP although a person had typed a command") {
    FakeDaemon daemon;
    daemon.set("/v1/meters", building);
    daemon.refuse("/v1/meters/huose/usage", 404,
                  "There is no meter \"huose\". GET /v1/meters lists the meters.");
    const Run run = daemon.run("usage huose");
    CHECK(run.status == 1);
    CHECK(
        run.error ==
        "tickledger: There is no meter \"huose\"; did you mean \"house\"? There are: house (Main meter), flat-1 "
        "(Küche, kalt), flat-2.\n");
    daemon.refuse("/v1/meters/house/usage", 400,
                  "The query parameter \"step\" is \"decade\". Give interval, hour, day, month or year.");
    CHECK(daemon.run("usage house --step decade").error ==
          "tickledger: --step is \"decade\". Give interval, hour, day, week, month or year.\n");
    daemon.refuse("/v1/meters/house/usage", 400,
                  "The query parameter \"from\" is \"may\". Give a date like 2026-03-01, a time like "
                  "2026-03-01T08:00:00+01:00, or now, today or monday, alone or as in today-6d.");
    CHECK(
        daemon.run("usage house --from may").error ==
        "tickledger: --from is \"may\". Give a date like 2026-03-01, a time like 2026-03-01T08:00:00+01:00, or "
        "now, today or monday, alone or as in today-6d. It may also be yesterday, 36h, 10d or 2w.\n");
    daemon.refuse("/v1/meters/flat-2/register", 409, "It is too much. See GET /v1/health.");
    CHECK(daemon.run("register flat-2").error == "tickledger: It is too much. See `tickledger health`.\n");
}

TEST_CASE("a refusal named options that the command does not have") {
    FakeDaemon daemon;
    daemon.set("/v1/meters", building);
    const auto error_of = [&](const std::string& path, const std::string& detail, const std::string& line) {
        daemon.refuse(path, 400, detail);
        return daemon.run(line).error;
    };
    const std::string away = "/v1/meters/house/away";
    CHECK(error_of(away, R"("to" is the text "yesterday". Give a date like "2026-03-01".)",
                   "away house --until yesterday") ==
          "tickledger: --until is \"yesterday\". Give a date like \"2026-03-01\".\n");
    CHECK(error_of(away, R"("to" is not after "from" (now, if that is left out). Nobody is away then.)",
                   "away house --until 2026-11-01") ==
          "tickledger: --until is not after --from (now, if that is left out). Nobody is away then.\n");
    CHECK(error_of("/v1/meters/house/register",
                   R"(The query parameter "time" is "xyz". Give a date like 2026-03-01, a time like )"
                   R"(2026-03-01T08:00:00+01:00, or now, today or monday, alone or as in today-6d.)",
                   "register house --take-back xyz") ==
          "tickledger: --take-back is \"xyz\". Give a date like 2026-03-01, a time like "
          "2026-03-01T08:00:00+01:00, or now, today or monday, alone or as in today-6d.\n");
    CHECK(error_of("/v1/meters/house/usage",
                   R"(The range from 2026-03-02 to 2026-03-01 is empty: "to" must be after "from".)",
                   "usage house --from 2026-03-02 --to 2026-03-01") ==
          "tickledger: The range from 2026-03-02 to 2026-03-01 is empty: --to must be after --from.\n");
    CHECK(error_of("/v1/meters/house/draws", R"("was" is "bathe". Say bath.)",
                   "draws house --at 07:10 --was bathe") == "tickledger: --was is \"bathe\". Say bath.\n");
    CHECK(error_of("/v1/meters/house/draws", R"(The query parameter "label" is "bathe". Give bath.)",
                   "draws house --longest bathe") == "tickledger: --longest is \"bathe\". Give bath.\n");
    // A meter may have the name of no parameter, and stays as it is.
    CHECK(error_of("/v1/meters/house/usage", R"(The meter "flat" is in the ledger only.)", "usage house") ==
          "tickledger: The meter \"flat\" is in the ledger only.\n");
    // What the daemon would refuse in a form that nobody typed is refused before.
    CHECK(daemon.run("alarms --shelve 1 --for 60d").error ==
          "tickledger: --for is \"60d\", but an alarm is shelved for 31 days at most, so that it is not "
          "forgotten.\n");
    CHECK(daemon.run("usage --last 99999d").error ==
          "tickledger: --last is \"99999d\". Give a whole number and w, d, h or min, as in 7d, and at most "
          "36500d.\n");
    CHECK(point_in("99999d") == "99999d");
}

TEST_CASE("an empty argument meant all meters, or the default") {
    FakeDaemon daemon;
    set_building(daemon);
    for (const char* line : {"usage ''", "usage house --from ''", "usage --group ''", "alarms --state ''",
                             "draws house --label ''", "register house --set ''"}) {
        CAPTURE(line);
        const Run run = daemon.run(line);
        CHECK(run.status == 2);
        CHECK_THAT(run.error, Catch::EndsWith(" is empty. Give a value, or leave it out.\n"));
    }
    CHECK(daemon.run("usage house --from ''").error ==
          "tickledger: --from is empty. Give a value, or leave it out.\n");
    CHECK(daemon.asked().empty());
}

TEST_CASE("two options that exclude each other ran into the next sentence") {
    FakeDaemon daemon;
    CHECK(daemon.run("usage --from today --day today").error ==
          "tickledger: --from excludes --day. See tickledger --help.\n");
}

TEST_CASE("the hint to give the register's start lacked the meter") {
    FakeDaemon daemon;
    set_building(daemon);
    for (const char* path : {"/v1/meters/flat-2/register", "/v1/meters/house/register"})
        daemon.refuse(
            path, 409,
            "Set it with this first reading: `tickledger register --start READING`, or \"start\": true.");
    CHECK(daemon.run("register flat-2 --set 7 --yes").error ==
          "tickledger: Set it with this first reading: `tickledger register flat-2 --start READING`.\n");
    CHECK(
        daemon.run("register 'Main meter' --set 7 --yes").error ==
        "tickledger: Set it with this first reading: `tickledger register 'Main meter' --start READING`.\n");
}

TEST_CASE("a mistyped command or option is reported with the likely one") {
    FakeDaemon daemon;
    CHECK(daemon.run("usgae").error ==
          "tickledger: There is no command \"usgae\"; did you mean \"usage\"? See tickledger --help.\n");
    CHECK(daemon.run("usage --form 2026-03-01").error ==
          "tickledger: There is no option --form; did you mean \"--from\"? See tickledger --help.\n");
    CHECK(daemon.run("usgae").status == 2);
}

TEST_CASE("words of the ledger are explained, every kind of entry included") {
    FakeDaemon daemon;
    CHECK_THAT(daemon.run("help held").out, Catch::Contains("waits for the next one"));
    CHECK_THAT(daemon.run("help pulse-value").out, Catch::Contains("The volume that a tick stands for"));
    CHECK_THAT(daemon.run("help usage").out, Catch::Contains("--step"));
    CHECK(daemon.run("help").out.size() > daemon.run("help tick").out.size());
    CHECK_THAT(daemon.run("help sprade").error, Catch::Contains("did you mean \"spread\"?"));
    CHECK(daemon.run("help sprade").status == 2);
    for (const char* kind : {"measured", "restart", "preset", "held", "lost", "late", "adjustment", "reverse",
                             "stray", "unreadable", "spread", "revision"}) {
        INFO(kind);
        REQUIRE(explain(kind));
        CHECK_FALSE(explain(kind)->text.empty());
    }
}

TEST_CASE("alarms were wider than the terminal") {
    Table table({{"Id", Align::right}, {"Meaning"}});
    table.add({"7", "Water ran all night at house: at least 20 L an hour from 01:00 to 05:00."});
    const std::string text = table.text(40);
    CHECK(text ==
          "Id  Meaning\n"
          " 7  Water ran all night at house: at\n"
          "    least 20 L an hour from 01:00 to\n"
          "    05:00.\n");
    // A table that is narrow enough is not changed.
    CHECK(table.text(0) == table.text(200));
}

TEST_CASE("a register with an ambiguous comma was read as a thousandth") {
    CHECK(plain_decimal("1234.567").value() == "1234.567");
    CHECK(plain_decimal("1.234").value() == "1.234");
    CHECK(plain_decimal("1,234.567").value() == "1234.567");
    CHECK(plain_decimal("1.234,567").value() == "1234.567");
    CHECK(plain_decimal("1 234,5").value() == "1234.5");
    CHECK(plain_decimal("1'234.5").value() == "1234.5");
    CHECK(plain_decimal("1,234,567").value() == "1234567");
    CHECK(plain_decimal("1234,567").value() == "1234.567");
    CHECK(plain_decimal("12,5").value() == "12.5");
    CHECK(plain_decimal("43,613.2 ft3").value() == "43613.2 ft3");
    CHECK(plain_decimal("1,234").error().text ==
          "\"1,234\" can be 1234 or 1.234. Write a decimal point and no comma.");
    for (const char* wrong : {"", "m3", "1.2.3", "1,23,4", "12-3", "1,2345.6", ".", "1 23"})
        CHECK_FALSE(plain_decimal(wrong).has_value());
}

TEST_CASE("a reading below the counted water was booked without a question") {
    FakeDaemon daemon;
    const auto should_show = [](const std::string& start_told) {
        return R"({"meter":"house","time":"2026-03-08T12:00:00+01:00","register_m3":2.949000,"low_m3":2.947000,)"
               R"("high_m3":2.951000,"resolution_m3":0.001000,"start_told":)" +
               start_told + R"(,"text":"At noon.","readings":[]})";
    };
    daemon.set("/v1/meters/house/register", should_show("true"));
    const auto posted = [&] {
        auto bodies = daemon.bodies();
        std::erase(bodies, "");
        return bodies;
    };
    const Run run = daemon.run("register house --set 2.9 </dev/null");
    CHECK(run.status == 2);
    CHECK(
        run.error ==
        "tickledger: The register of house should show 2.949 m³ (2.947 to 2.951). You say 2.900 m³: 49.0 L "
        "less. If it is booked, it takes back water that was counted. The reading is exact only to 100 L, so there "
        "may be no real difference: give every digit that the register shows. Nothing was booked. To book it "
        "anyway, use --yes.\n");
    CHECK(posted().empty());
    CHECK_THAT(daemon.run("register house --set 12.949 </dev/null").error,
               Catch::Contains("10000.0 L more. If it is booked, it adds water that was not counted."));
    CHECK(posted().empty());
    // Booked without a question: an expected reading, an earlier one, and one with --yes.
    for (const char* arguments : {"--set 2.950", "--set 2.9 --at 2026-03-01", "--set 2,9 --yes"}) {
        CAPTURE(arguments);
        CHECK(daemon.run(std::string("register house </dev/null ") + arguments).status == 0);
        CHECK(posted().size() == 1);
    }
    CHECK(daemon.run("register house --set 1,234").status == 2);
    daemon.set("/v1/meters/house/register", should_show("false"));
    // If the start was never given, the daemon itself says what to do.
    CHECK(daemon.run("register house --set 1234.567 </dev/null").status == 0);
    CHECK(posted().size() == 1);
}

TEST_CASE("an old flow was shown as the current flow") {
    FakeDaemon daemon;
    daemon.set(
        "/v1/meters",
        R"({"meters":[{"id":"house","name":null,"pulse_value_l":1,"last_reading_at":"2026-03-08T11:47:00+01:00",)"
        R"("register_m3":1.0,"flow_l_per_h":720.0,"flow_known":false,"flow_age_s":780,)"
        R"("smallest_visible_leak_l_per_h":2.0}]})");
    CHECK_THAT(daemon.run("meters").out, Catch::Contains("not known"));
    CHECK_THAT(daemon.run("meters").out, !Catch::Contains("720"));
}

}  // namespace tickledger
