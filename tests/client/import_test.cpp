// Import of people's own records from files of many formats. Each expectation was computed by hand and stands
// beside its file.
#include <catch2/catch.hpp>
#include <fstream>
#include <limits>
#include <nlohmann/json.hpp>

#include "client/fake_daemon.hpp"
#include "client/import/csv.hpp"
#include "client/import/readings_file.hpp"

namespace tickledger {
namespace {

using test::FakeDaemon;

CivilZone berlin() {
    return CivilZone::find("Europe/Berlin").value();
}

Instant at(std::string_view text) {
    return berlin().parse(text).value();
}

FileContents read(std::string_view text, const FileOrder& order = {}) {
    auto contents = understand(text, order, berlin());
    if (!contents) FAIL(contents.error().text);
    return std::move(*contents);
}

std::string mistake(std::string_view text, const FileOrder& order = {}) {
    const auto contents = understand(text, order, berlin());
    REQUIRE_FALSE(contents);
    return contents.error().text;
}

std::vector<std::pair<Instant, std::string>> only_stretch(const FileContents& contents) {
    REQUIRE(contents.stretches.size() == 1);
    std::vector<std::pair<Instant, std::string>> readings;
    for (const FileReading& reading : contents.stretches[0])
        readings.emplace_back(reading.at, volume_text(reading.volume));
    return readings;
}

using Readings = std::vector<std::pair<Instant, std::string>>;

}  // namespace

// Source: RFC 4180, section 2, its own examples.
TEST_CASE("records of RFC 4180: quotes, doubled quotes, line ends inside quotes, CRLF, no last line end") {
    const auto cells = [](std::string_view text, char delimiter = ',') {
        std::vector<std::vector<std::string>> found;
        const auto rows = read_csv(text, delimiter).value();
        for (const CsvRow& row : rows)
            found.push_back(row.cells);
        return found;
    };
    using Cells = std::vector<std::vector<std::string>>;
    CHECK(cells("aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n") == Cells{{"aaa", "bbb", "ccc"}, {"zzz", "yyy", "xxx"}});
    CHECK(cells("aaa,bbb,ccc\r\nzzz,yyy,xxx") == Cells{{"aaa", "bbb", "ccc"}, {"zzz", "yyy", "xxx"}});
    CHECK(cells("\"aaa\",\"b\r\nbb\",\"ccc\"\r\nzzz,yyy,xxx") ==
          Cells{{"aaa", "b\r\nbb", "ccc"}, {"zzz", "yyy", "xxx"}});
    CHECK(cells("\"aaa\",\"b\"\"bb\",\"ccc\"") == Cells{{"aaa", "b\"bb", "ccc"}});
    // Beyond the RFC: other delimiters and line ends, a byte order mark, empty lines.
    CHECK(cells("\xEF\xBB\xBF"
                "a;b\n\n\nc;\"d;e\"\n",
                ';') == Cells{{"a", "b"}, {"c", "d;e"}});
    CHECK(cells("a\tb\rc\td\r", '\t') == Cells{{"a", "b"}, {"c", "d"}});
    CHECK(cells("a,,\n,,\n") == Cells{{"a", "", ""}, {"", "", ""}});
    CHECK(read_csv("a,\"b\nc\nd\n", ',').error().text == "A quote that begins in line 1 is not closed.");
    CHECK(read_csv("a\n\"b\nc\"\nd\n", ',').value().back().line == 4);
}

TEST_CASE("the delimiter is the one that splits every line into the same number of fields") {
    CHECK(likely_delimiter("time;volume\n01.02.2025;1,5\n") == ';');
    CHECK(likely_delimiter("time,volume\n2025-02-01,1.5\n") == ',');
    CHECK(likely_delimiter("time\tvolume\n01.02.2025\t1,5\n") == '\t');
    CHECK(likely_delimiter("Flat 3, cold\ntime;volume;more\n01.02.2025;1,5;x\n") == ';');
    CHECK(likely_delimiter("2025-02-01|1.5\n") == '|');
    CHECK(likely_delimiter("") == ',');
}

TEST_CASE("numbers with either decimal sign and with thousands are exact") {
    const auto volume = [](std::string_view text, char decimal) {
        const auto read = read_volume(text, decimal);
        return read ? volume_text(*read) : std::string("none");
    };
    CHECK(volume("1234.567", '.') == "1234.567");
    CHECK(volume("1234,567", ',') == "1234.567");
    CHECK(volume("1.234,5", ',') == "1234.5");
    CHECK(volume("1,234.5", '.') == "1234.5");
    CHECK(volume("1 234 567,25", ',') == "1234567.25");
    CHECK(volume("1\xC2\xA0"
                 "234,5",
                 ',') == "1234.5");
    CHECK(volume("1\xE2\x80\xAF"
                 "234,5",
                 ',') == "1234.5");
    CHECK(volume("1'234.5", '.') == "1234.5");
    CHECK(volume("0.1", '.') == "0.1");
    CHECK(volume("0.123456789", '.') == "0.123456789");
    CHECK(volume("4.3000000000000007", '.') == "4.3");
    CHECK(volume("4.29999999999999999", '.') == "4.3");
    CHECK(volume("7", ',') == "7");
    for (const char* wrong : {"", "-1", "1,23.4", "1,2345.6", "12,34", "1.2.3", "abc", "1.", ".", "1e3",
                              "12345678901", "1234,567.8,9"}) {
        CAPTURE(wrong);
        CHECK(volume(wrong, '.') == "none");
    }
}

TEST_CASE("a volume that was too large only once it was rounded or added up became a negative one") {
    CHECK(read_volume("9223372036.8547758074", '.') == std::numeric_limits<std::int64_t>::max());
    CHECK_FALSE(read_volume("9223372036.8547758075", '.'));
    // 9223372036 m3 twice: the register runs back in between.
    const std::string_view twice =
        "date,m3\n2025-01-01,0\n2025-01-02,9223372036\n2025-01-03,0\n2025-01-04,9223372036\n";
    CHECK_THAT(mistake(twice, {.register_column = "m3"}),
               Catch::Contains("more than 9223372036 m3") && Catch::Contains("Check the column"));
}

TEST_CASE("times are read as people write them") {
    const CivilZone zone = berlin();
    const auto time = [&](std::string_view text, DateOrder order = DateOrder::unknown) {
        const auto told = read_time(text, order);
        return told ? format_utc(place(*told, zone).at) : std::string("none");
    };
    for (const char* same :
         {"2025-03-01 08:15", "2025-03-01T08:15:00", "01.03.2025 08:15", "1.3.2025 8:15", "01-03-2025 08:15",
          "2025/03/01 08:15", "2025-03-01T07:15:00Z", "2025-03-01 08:15:00+01:00", "1740813300",
          "1740813300000", " 2025-03-01  08:15 "}) {
        CAPTURE(same);
        CHECK(time(same) == "2025-03-01T07:15:00.000000Z");
    }
    CHECK(time("3/1/2025 8:15 PM", DateOrder::month_first) == "2025-03-01T19:15:00.000000Z");
    CHECK(time("1/3/2025 12:05 am", DateOrder::day_first) == "2025-02-28T23:05:00.000000Z");
    CHECK(time("2025-03-01") == "2025-02-28T23:00:00.000000Z");
    CHECK(time("2025-03") == "2025-02-28T23:00:00.000000Z");
    CHECK(time("28.02.2025 24:00") == "2025-02-28T23:00:00.000000Z");
    for (const char* wrong :
         {"", "soon", "3/1/2025", "2025-13-01", "30.02.2025", "1.3.25", "2025-03-01 25:00", "2025-03-01 8",
          "2025-03-01 08:15 xm", "12", "1-2", "24:00", "2025-03-01 24:01"}) {
        CAPTURE(wrong);
        CHECK(time(wrong) == "none");
    }
}

TEST_CASE("a register saved by a spreadsheet with decimal commas is read") {
    const FileContents contents = read(
        "\xEF\xBB\xBF"
        "Datum;Z\xC3\xA4hlerstand (m\xC2\xB3);Bemerkung\r\n"
        "01.01.2025 00:00;1.234,567;\r\n"
        "01.02.2025 00:00;1.241,067;\"abgelesen; von mir\"\r\n"
        "01.03.2025 00:00;1.248,000;\r\n");
    CHECK(contents.delimiter == ';');
    CHECK(contents.decimal == ',');
    CHECK(contents.unit == "m3");
    CHECK_FALSE(contents.is_consumption);
    CHECK(contents.rows == 3);
    CHECK(volume_text(contents.volume()) == "13.433");
    CHECK(only_stretch(contents) == Readings{{at("2025-01-01"), "1234.567"},
                                             {at("2025-02-01"), "1241.067"},
                                             {at("2025-03-01"), "1248"}});
    CHECK(contents.unreadable.empty());
}

TEST_CASE("daily consumption becomes a register with exact sums, each day from midnight to midnight") {
    const FileContents contents =
        read("date,used_l\n2025-03-29,0.1\n2025-03-30,0.2\n2025-03-31,120\n2025-04-03,7\n");
    CHECK(contents.is_consumption);
    CHECK(contents.unit == "L");
    REQUIRE(contents.stretches.size() == 2);
    // 30 March 2025 has 23 hours in Berlin.
    CHECK(contents.stretches[0] == std::vector<FileReading>{{at("2025-03-29"), 0, 2},
                                                            {at("2025-03-30"), 100'000'000, 2},
                                                            {at("2025-03-31"), 300'000'000, 3},
                                                            {at("2025-04-01"), 120'300'000'000, 4}});
    CHECK(volume_text(contents.volume()) == "127.3");
    REQUIRE(contents.gaps.size() == 1);
    CHECK(contents.gaps[0].line == 5);
    CHECK_THAT(contents.gaps[0].text, Catch::Contains("2025-04-01") && Catch::Contains("2025-04-03"));
}

TEST_CASE("a month of consumption ends with the next, and with times as ends it begins a month earlier") {
    const std::string months = "month;consumption m3\n2024-12;10,5\n2025-01;11\n2025-02;9,25\n";
    CHECK(only_stretch(read(months)) == Readings{{at("2024-12-01"), "0"},
                                                 {at("2025-01-01"), "10.5"},
                                                 {at("2025-02-01"), "21.5"},
                                                 {at("2025-03-01"), "30.75"}});
    CHECK(only_stretch(read(months, {.times_are_ends = true})) == Readings{{at("2024-11-01"), "0"},
                                                                           {at("2024-12-01"), "10.5"},
                                                                           {at("2025-01-01"), "21.5"},
                                                                           {at("2025-02-01"), "30.75"}});
}

TEST_CASE("when the clocks change, one hour occurs twice and one does not exist") {
    // Berlin, 26 October 2025: 02:00 to 03:00 twice. 30 March: 02:00 to 03:00 never. (IANA time zone
    // database.)
    const FileContents twice = read(
        "time,register\n2025-10-26 01:30,1\n2025-10-26 02:30,2\n2025-10-26 02:30,3\n2025-10-26 03:30,4\n");
    CHECK(only_stretch(twice) == Readings{{at("2025-10-25T23:30:00Z"), "1"},
                                          {at("2025-10-26T00:30:00Z"), "2"},
                                          {at("2025-10-26T01:30:00Z"), "3"},
                                          {at("2025-10-26T02:30:00Z"), "4"}});
    CHECK(twice.wall_clock.size() == 2);
    // The same with the newest row first.
    const FileContents backwards = read(
        "time,register\n2025-10-26 03:30,4\n2025-10-26 02:30,3\n2025-10-26 02:30,2\n2025-10-26 01:30,1\n");
    CHECK(only_stretch(backwards) == only_stretch(twice));
    const FileContents never =
        read("time,register\n2025-03-30 01:30,1\n2025-03-30 02:30,2\n2025-03-30 03:30,3\n");
    REQUIRE(never.wall_clock.size() == 1);
    CHECK(never.wall_clock[0].line == 3);
    CHECK_THAT(never.wall_clock[0].text, Catch::Contains("does not exist"));
    CHECK(only_stretch(never)[1].first == at("2025-03-30T01:00:00Z"));
}

TEST_CASE("a register that runs back, unreadable rows and gaps of years are reported with their lines") {
    const FileContents contents = read(
        "time,reading\n2020-01-01,10\n2020-02-01,12.5\nsoon,13\n2020-03-01,n/a\n2020-04-01,1\n2020-05-01,3\n"
        "2020-05-01,4\n2023-01-01,50\n2023-02-01,51\n");
    CHECK(contents.rows == 9);
    REQUIRE(contents.unreadable.size() == 3);
    CHECK(contents.unreadable[0].line == 4);
    CHECK(contents.unreadable[1].line == 5);
    CHECK(contents.unreadable[2].line == 8);
    REQUIRE(contents.running_back.size() == 1);
    CHECK(contents.running_back[0].line == 6);
    REQUIRE(contents.gaps.size() == 1);
    CHECK(contents.gaps[0].line == 9);
    CHECK(contents.stretches.size() == 3);
    // 10 to 12.5, 1 to 3, 50 to 51.
    CHECK(volume_text(contents.volume()) == "5.5");
}

TEST_CASE("columns are found by their contents, and listed if they cannot be found") {
    CHECK(read("x,y\n2025-01-01,5\n2025-01-02,3\n2025-01-03,4\n2025-01-04,2\n").is_consumption);
    CHECK_FALSE(read("x,y\n2025-01-01,5\n2025-01-02,6\n2025-01-03,6\n").is_consumption);
    // Without column names the first row is a reading, too.
    CHECK(read("2025-01-01,5\n2025-01-02,6\n").rows == 2);
    CHECK(read("2025-01-01,5\n2025-01-02,6\n").volume_column == "column 2");
    const std::string two = "id;when;cold;warm\n7;1.1.2025;10,0;3\n7;2.1.2025;11,0;4\n";
    CHECK_THAT(mistake(two),
               Catch::Contains("--register") && Catch::Contains("cold") && Catch::Contains("warm"));
    CHECK(volume_text(read(two, {.register_column = "Cold"}).volume()) == "1");
    CHECK(volume_text(read(two, {.consumption = "4"}).volume()) == "7");
    CHECK_THAT(mistake(two, {.register_column = "hot"}),
               Catch::Contains("\"hot\"") && Catch::Contains("warm"));
    CHECK_THAT(mistake(two, {.time = "9"}), Catch::Contains("no column \"9\""));
    CHECK_THAT(mistake("x,y\n1/2/2025,5\n2/2/2025,6\n"), Catch::Contains("--dates"));
    CHECK(only_stretch(read("x,y\n1/2/2025,5\n2/2/2025,6\n", {.dates = DateOrder::day_first}))[1].first ==
          at("2025-02-02"));
    CHECK(only_stretch(read("x,y\n1/30/2025,5\n2/2/2025,6\n"))[1].first == at("2025-02-02"));
    CHECK_THAT(mistake("x,y\na,b\nc,d\n"), Catch::Contains("--time"));
    CHECK_THAT(mistake(two, {.register_column = "cold", .unit = "bottle"}), Catch::Contains("bottle"));
    CHECK_THAT(mistake(""), Catch::Contains("empty"));
    CHECK_THAT(mistake("x,y\n2025-01-01,5\n"), Catch::Contains("two are needed"));
    CHECK_THAT(mistake(std::string_view("\xFF\xFEt\0", 4)), Catch::Contains("UTF-16"));
}

TEST_CASE("a dry run shows how the file was read and books nothing, and --book posts cumulative values") {
    FakeDaemon daemon;
    test::TempDirectory directory;
    const auto file = (directory / "bills.csv").string();
    std::ofstream(file) << "date;stand\n01.01.2025;100,5\n01.02.2025;104\n01.03.2025;108\n01.05.2025;111\n";
    const std::string target = "/v1/meters/house/history";
    daemon.set(
        target,
        R"({"meter":"house","timezone":"Europe/Berlin","ends_by":"2025-03-15T00:00:00+01:00","imports":[]})");
    const auto dry = daemon.run("import house '" + file + "'");
    INFO(dry.error);
    CHECK(dry.status == 0);
    CHECK(dry.out ==
          "Delimiter \";\", decimal sign \",\"; times in date without an offset are in Europe/Berlin.\n"
          "Volumes: stand, in m3, what the meter showed (--register).\n"
          "Rows: 4, from 2025-01-01T00:00:00+01:00 to 2025-05-01T00:00:00+02:00, 10.500 m³ in all.\n"
          "Spans left out, because the meter's own readings begin at 2025-03-15T00:00:00+01:00: 1.\n"
          "To import: 2 spans, 7.500 m³. Nothing is booked yet. If this is right, repeat the command with "
          "--book.\n");
    CHECK(daemon.bodies() == std::vector<std::string>{""});
    // The fake daemon's answer has no import yet, so the output names none.
    CHECK(daemon.run("import house '" + file + "' --book").status == 0);
    const auto bodies = daemon.bodies();
    REQUIRE(bodies.size() == 2);
    CHECK(
        bodies[1] ==
        R"({"import":"bills.csv","unit":"m3","readings":[{"time":"2024-12-31T23:00:00.000000Z","volume":"100.5"},)"
        R"({"time":"2025-01-31T23:00:00.000000Z","volume":"104"},{"time":"2025-02-28T23:00:00.000000Z","volume":"108"}]})");

    CHECK_THAT(daemon.run("import house").out, Catch::Contains("Nothing is imported"));
    daemon.set(
        target,
        R"({"meter":"house","timezone":"Europe/Berlin","ends_by":"2025-03-15T00:00:00+01:00","imports":[)"
        R"({"name":"bills.csv","from":"2025-01-01T00:00:00+01:00","to":"2025-03-01T00:00:00+01:00",)"
        R"("entries":2,"ticks":7500,"volume_l":7500.000}]})");
    CHECK(daemon.run("import house").out ==
          "Import     From              To                Spans  Volume L\n"
          "bills.csv  2025-01-01 00:00  2025-03-01 00:00      2  7500.000\n");
    CHECK_THAT(daemon.run("import house '" + file + "' --book").out,
               Catch::Contains("Booked as \"bills.csv\"") && Catch::Contains("--undo 'bills.csv'"));
    for (const char* wrong : {"--undo x --book", "--book", "/nonexistent.csv", "--csv", "--decimal x"}) {
        CAPTURE(wrong);
        static_cast<void>(daemon.run("import house"));
        const std::string arguments =
            std::string(wrong) == "--csv" || std::string(wrong).starts_with("--decimal")
                ? "'" + file + "' " + wrong
                : wrong;
        CHECK(daemon.run("import house " + arguments).status == 2);
    }
    daemon.set(target, R"({"meter":"house","timezone":"Europe/Berlin","ends_by":null,"imports":[]})");
    CHECK_THAT(daemon.run("import house '" + file + "'").error,
               Catch::Contains("Import it after the first one"));
}

TEST_CASE("a year of hours is sent in parts that share a reading, so no litre between them is lost") {
    FakeDaemon daemon;
    test::TempDirectory directory;
    const auto file = (directory / "hours.csv").string();
    {
        std::ofstream stream(file);
        stream << "time,register\n";
        for (int hour = 0; hour < 1200; ++hour)
            stream << 1'735'689'600 + 3600 * hour << "," << hour << ".25\n";
    }
    daemon.set(
        "/v1/meters/house/history",
        R"({"meter":"house","timezone":"Europe/Berlin","ends_by":"2026-03-15T00:00:00+01:00","imports":[]})");
    const auto run = daemon.run("import house '" + file + "' --book --as hours");
    INFO(run.error);
    CHECK(run.status == 0);
    auto bodies = daemon.bodies();
    std::erase(bodies, "");
    REQUIRE(bodies.size() == 3);
    std::string last;
    std::size_t spans = 0;
    for (const std::string& body : bodies) {
        CHECK(body.size() < 65'536);
        const auto readings = nlohmann::json::parse(body).at("readings");
        spans += readings.size() - 1;
        if (!last.empty()) CHECK(readings.front().at("time") == last);
        last = readings.back().at("time");
    }
    CHECK(spans == 1199);
}

}  // namespace tickledger
