// A file of bills becomes the history of a meter: the real daemon and client, kills, a replay.
#include <catch2/catch.hpp>
#include <fstream>

#include "site.hpp"

using namespace tickledger::test;

namespace {

/// A day in which the node counts ten ticks every three minutes.
std::string recording(const std::filesystem::path& directory) {
    const auto path = directory / "day.jsonl";
    std::ofstream out(path);
    for (int minute = 0; minute <= 600; minute += 3) {
        char line[160];
        std::snprintf(line, sizeof line,
                      R"({"tst":"2026-03-05T%02d:%02d:00Z","topic":"nodes/house","payload":{"count":%d}})",
                      minute / 60, minute % 60, minute / 3 * 10);
        out << line << '\n';
    }
    return path.string();
}

/// Three years of months, as a spreadsheet with decimal commas saves them: 10.5 m³ a month from 100 m³ on.
/// One row is illegible, and one is later than the first message.
std::string bills(const std::filesystem::path& directory) {
    const auto path = directory / "bills.csv";
    std::ofstream out(path);
    out << "\xEF\xBB\xBF"
           "Tag;Stand m\xC2\xB3\r\n";
    int month = 0;
    for (int year = 2023; year < 2026; ++year) {
        for (int i = 1; i <= 12; ++i, ++month)
            out << "01." << (i < 10 ? "0" : "") << i << '.' << year << ';' << 100 + month * 105 / 10 << ','
                << month * 105 % 10 << "\r\n";
    }
    out << "01.01.2026;illegible\r\n01.02.2026;490,0\r\n06.03.2026;500,0\r\n";
    return path.string();
}

}  // namespace

TEST_CASE("a file of bills is previewed, booked once, survives kills and is undone as a whole") {
    Site site({.meters = one_meter});
    REQUIRE(site.replay({recording(site.directory().path())}).status == 0);
    site.start();
    const std::string file = bills(site.directory().path());
    const std::string years = "/v1/meters/house/usage?step=year";
    const std::string months = "/v1/meters/house/usage?step=month&from=2023-01-01&to=2026-04-01";
    const std::string own_years = site.text(years);
    const std::string own_months = site.text(months);
    const auto on_the_wall = [&] {
        return site.get("/v1/meters").at("meters")[0].at("register_m3").get<double>();
    };
    const double face_m3 = on_the_wall();

    const auto dry = site.client({"import", "house", file});
    INFO(dry.out << dry.error);
    REQUIRE(dry.status == 0);
    CHECK_THAT(dry.out, Catch::Contains("illegible") && Catch::Contains("line 38") &&
                            Catch::Contains("Spans left out") && Catch::Contains("--book"));
    // From 100 to 490 m³.
    CHECK_THAT(dry.out, Catch::Contains("To import: 36 spans, 390.000 m³."));
    CHECK(site.text(years) == own_years);

    const std::vector<std::string> book{"import", "house", file, "--book", "--as", "bills"};
    const auto booked = site.client(book);
    INFO(booked.out << booked.error);
    REQUIRE(booked.status == 0);
    CHECK_THAT(booked.out, Catch::Contains("Booked as \"bills\": 390000.0 L in 36 spans."));
    const auto year_rows = site.get(years).at("rows");
    REQUIRE(year_rows.size() == 4);
    // Twelve months of 10 500 ticks; the last year's December ends with the reading of 1 February.
    CHECK(year_rows[0].at("ticks") == 126'000);
    CHECK(year_rows[1].at("ticks") == 126'000);
    CHECK(year_rows[2].at("ticks").get<int>() + year_rows[3].at("ticks").get<int>() == 138'000 + 2'000);
    CHECK(year_rows[0].at("covered_s") == 365 * 86'400);
    CHECK(site.get(months).at("rows")[0].at("ticks") == 10'500);
    // The import does not change the register.
    CHECK(on_the_wall() == face_m3);
    CHECK(site.get("/v1/meters/house/history").at("imports")[0].at("ticks") == 390'000);

    const std::string after = site.text(months);
    site.kill();
    site.start();
    CHECK(site.text(months) == after);
    REQUIRE(site.client(book).status == 0);
    CHECK(site.text(months) == after);

    // A replay of the message log gives the same ledger.
    Site other({.meters = one_meter});
    REQUIRE(other.replay({recording(other.directory().path())}).status == 0);
    REQUIRE(other.replay({(site.store() / "messages").string()}).status == 0);
    other.start();
    CHECK(other.text(months) == after);
    CHECK(other.stop() == 0);

    const auto undone = site.client({"import", "house", "--undo", "bills"});
    INFO(undone.error);
    REQUIRE(undone.status == 0);
    CHECK(site.text(years) == own_years);
    CHECK(site.text(months) == own_months);
    CHECK(site.client({"import", "house", "--undo", "bills"}).status == 1);
    CHECK_THAT(site.client({"import", "house"}).out, Catch::Contains("Nothing is imported"));
    CHECK(site.stop() == 0);
}
