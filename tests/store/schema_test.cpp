#include "store/schema.hpp"

#include <array>
#include <catch2/catch.hpp>
#include <fstream>

#include "store/ledger.hpp"
#include "store/ledger_view.hpp"
#include "support/temp_directory.hpp"

using namespace tickledger;
using tickledger::test::TempDirectory;

namespace {

std::unique_ptr<Database> writable(const std::filesystem::path& file) {
    auto database = Database::open(file, Database::Access::write);
    REQUIRE(database);
    return std::move(*database);
}

std::string bytes_of(const std::filesystem::path& file) {
    std::ifstream in(file, std::ios::binary);
    return {std::istreambuf_iterator<char>(in), {}};
}

}  // namespace

TEST_CASE("an older file is upgraded step by step, and a second time nothing is done") {
    const TempDirectory directory;
    const std::array<const char*, 1> old_program = {
        "CREATE TABLE a (x INTEGER) STRICT; INSERT INTO a VALUES (1)"};
    const std::array<const char*, 3> new_program = {old_program[0], "ALTER TABLE a ADD COLUMN y INTEGER",
                                                    "UPDATE a SET y = x + 1"};
    auto database = writable(directory / "ledger.db");
    REQUIRE(bring_up_to_date(*database, old_program));
    for (int times = 0; times < 2; ++times) {
        REQUIRE(bring_up_to_date(*database, new_program));
        CHECK(database->integer("PRAGMA user_version").value() == 3);
        CHECK(database->integer("SELECT sum(y) FROM a").value() == 2);
    }
}

TEST_CASE("a step that fails leaves the version and the tables from before it") {
    const TempDirectory directory;
    const std::array<const char*, 2> steps = {
        "CREATE TABLE a (x INTEGER) STRICT", "CREATE TABLE b (x INTEGER) STRICT; CREATE TABLE a (x INTEGER)"};
    auto database = writable(directory / "ledger.db");
    const auto done = bring_up_to_date(*database, steps);
    REQUIRE_FALSE(done);
    CHECK_THAT(done.error().text, Catch::Contains("ledger.db"));
    CHECK(database->integer("PRAGMA user_version").value() == 1);
    CHECK(database->integer("SELECT count(*) FROM sqlite_schema").value() == 1);
    CHECK_FALSE(database->in_transaction());
}

TEST_CASE("the alarms of a ledger of version 2 keep their state, not acknowledged and not shelved") {
    const TempDirectory directory;
    const auto file = directory / "ledger.db";
    {
        auto database = writable(file);
        REQUIRE(bring_up_to_date(*database, schema_steps().first(2)));
        REQUIRE(database->execute(
            "INSERT INTO alarm (meter, kind, state, raised_us, cleared_us, evidence, text) VALUES"
            " (1, 0, 1, 1000, NULL, '{}', 'stands'), (1, 5, 3, 1000, 2000, '{}', 'is over')"));
    }
    auto ledger = Ledger::open(file);
    REQUIRE(ledger);
    const auto open = (*ledger)->open_alarms(1).value();
    REQUIRE(open.size() == 1);
    CHECK(open[0].text == "stands");
    CHECK_FALSE(open[0].acknowledged_at);
    CHECK_FALSE(open[0].shelved_until);
    CHECK((*ledger)->last_alarm(1, AlarmKind::node_silent).value()->text == "is over");
}

TEST_CASE("consecutive undecided nights of a ledger of version 5 become one row") {
    const TempDirectory directory;
    const auto file = directory / "ledger.db";
    constexpr std::int64_t hour_us = 3'600'000'000;
    {
        auto database = writable(file);
        REQUIRE(bring_up_to_date(*database, schema_steps().first(5)));
        REQUIRE(database->execute("INSERT INTO meter (key, id) VALUES (1, 'house'), (2, 'garden')"));
        const auto night = [&](int meter, int kind, std::int64_t from_h) {
            const std::string values =
                std::to_string(meter) + "," + std::to_string(kind) + "," + std::to_string(from_h * hour_us) +
                "," + std::to_string((from_h + 4) * hour_us) + ",'night " + std::to_string(from_h) + "')";
            REQUIRE(database->execute(
                ("INSERT INTO undecided (meter, kind, from_us, to_us, text) VALUES (" + values).c_str()));
        };
        // Ten nights that span changes of the clocks, then a missing day, then one night by itself.
        for (const std::int64_t from_h : {1, 25, 49, 74, 98, 121, 145, 169, 193, 217})
            night(1, 0, from_h);
        night(1, 0, 265);
        night(2, 0, 25);
        // Another kind, on consecutive days, stays as it is.
        night(1, 4, 25), night(1, 4, 49);
    }
    auto ledger = Ledger::open(file);
    REQUIRE(ledger);
    const auto rows = LedgerView::open(file).value()->undecided(std::nullopt).value();
    const auto window = [&](std::int64_t from_h, std::int64_t to_h) {
        return Span{instant_of(from_h * hour_us), instant_of(to_h * hour_us)};
    };
    REQUIRE(rows.size() == 5);  // The newest first.
    CHECK(rows[0].window == window(265, 269));
    CHECK(rows[0].text == "night 265");
    CHECK(rows[1].window == window(49, 53));
    CHECK(rows[2].text == "night 25");
    CHECK(rows[3].text == "night 25");
    CHECK(rows[4].meter == "house");
    CHECK(rows[4].window == window(1, 221));
    CHECK_THAT(rows[4].text, Catch::Contains("house") && Catch::Contains("10 nights"));
}

TEST_CASE("the readings of a ledger of version 3 can be packed, and they read as before") {
    const TempDirectory directory;
    const auto file = directory / "ledger.db";
    {
        auto database = writable(file);
        REQUIRE(bring_up_to_date(*database, schema_steps().first(3)));
        REQUIRE(database->execute(
            "INSERT INTO entry (to_us, meter, length_us, n, ticks, kind, placed, end_count, end_boot, "
            "end_seq)"
            " VALUES (900000000, 1, 900000000, 0, 5, 0, 0, 105, 7, 1), (900000000, 1, 0, 0, 0, 1, 0, 105, 7, "
            "1),"
            " (1800000000, 1, 900000000, 0, 3, 0, 0, 108, 7, 2);"
            "INSERT INTO entry_day VALUES (0, 1);"
            "INSERT INTO usage_row VALUES (0, 0, 1, 5, 900000000, 0, 0), (1, 0, 1, 8, 1800000000, 0, 2),"
            " (2, 0, 1, 8, 1800000000, 0, 0)"));
    }
    auto ledger = std::move(Ledger::open(file).value());
    const Span life{instant_of(0), instant_of(86'400'000'000)};
    const auto before = ledger->entries(1, life).value();
    REQUIRE(before.size() == 3);
    REQUIRE(ledger->pack_oldest(life.to).value());
    REQUIRE_FALSE(ledger->pack_oldest(life.to).value());
    CHECK(ledger->entries(1, life).value() == before);
    CHECK(ledger->row({1, Step::interval, life.from}).value() == Row{5, Duration{900'000'000}, 0, 0});
    CHECK(ledger->row({1, Step::hour, life.from}).value() == Row{8, Duration{1'800'000'000}, 0, 2});
    auto database = writable(file);
    CHECK(database->integer("SELECT count(*) FROM entry").value() == 1);
    CHECK(database->integer("SELECT count(*) FROM usage_row").value() == 1);
}

TEST_CASE("a ledger of version 4 keeps its entries and takes a reverse entry") {
    const TempDirectory directory;
    const auto file = directory / "ledger.db";
    {
        auto database = writable(file);
        REQUIRE(bring_up_to_date(*database, schema_steps().first(4)));
        REQUIRE(
            database->execute("INSERT INTO entry (to_us, meter, length_us, n, ticks, kind, placed, "
                              "unseen_max, end_count, end_boot,"
                              " end_seq) VALUES (900000000, 1, 900000000, 0, 5, 0, 0, NULL, 105, 7, 1),"
                              " (1800000000, 1, 900000000, 0, 0, 2, 1, 77, 9, 7, 2);"
                              "INSERT INTO entry_day VALUES (0, 1)"));
    }
    auto ledger = std::move(Ledger::open(file).value());
    const Span life{instant_of(0), instant_of(86'400'000'000)};
    const auto before = ledger->entries(1, life).value();
    REQUIRE(before.size() == 2);
    CHECK(before[0].ticks == 5);
    CHECK(before[1].kind == EntryKind::preset);
    CHECK(before[1].unseen_max == 77U);

    const Entry back{.span = {before[1].span.to, before[1].span.to + std::chrono::minutes{3}},
                     .ticks = -2,
                     .kind = EntryKind::reverse,
                     .begin_count = 9,
                     .end = {7, 7, 3}};
    REQUIRE(ledger->begin());
    REQUIRE(ledger->add_entry(1, back));
    REQUIRE(ledger->commit());
    CHECK(ledger->entries(1, life).value().back() == back);
    CHECK(
        writable(file)->integer("SELECT count(*) FROM sqlite_schema WHERE name = 'entry_special'").value() ==
        1);
}

TEST_CASE("a ledger of a newer program is refused with a reason and left as it is") {
    const TempDirectory directory;
    const auto file = directory / "ledger.db";
    REQUIRE(Ledger::open(file));
    REQUIRE(writable(file)->execute("PRAGMA user_version = 99"));
    const std::string before = bytes_of(file);

    const auto ledger = Ledger::open(file);
    REQUIRE_FALSE(ledger);
    CHECK_FALSE(ledger.error().held_by_another);
    CHECK_THAT(ledger.error().text, Catch::Contains("newer program") && Catch::Contains("99"));
    const auto view = LedgerView::open(file);
    REQUIRE_FALSE(view);
    CHECK_THAT(view.error().text, Catch::Contains("newer program"));
    CHECK(bytes_of(file) == before);
}

TEST_CASE("a database of another program is refused and left as it is") {
    const TempDirectory directory;
    const auto file = directory / "other.db";
    REQUIRE(writable(file)->execute("CREATE TABLE thing (x); PRAGMA user_version = 1"));
    const auto ledger = Ledger::open(file);
    REQUIRE_FALSE(ledger);
    CHECK_THAT(ledger.error().text, Catch::Contains("another program"));
    CHECK(writable(file)->integer("SELECT count(*) FROM sqlite_schema").value() == 1);
    CHECK_FALSE(LedgerView::open(file));
}

TEST_CASE("a reader of a file without tables is refused with a reason") {
    const TempDirectory directory;
    std::ofstream(directory / "ledger.db").flush();
    const auto view = LedgerView::open(directory / "ledger.db");
    REQUIRE_FALSE(view);
    CHECK_THAT(view.error().text, Catch::Contains("holds no ledger yet"));
    const auto missing = LedgerView::open(directory / "missing.db");
    REQUIRE_FALSE(missing);
    CHECK_THAT(missing.error().text, Catch::Contains("missing.db"));
}
