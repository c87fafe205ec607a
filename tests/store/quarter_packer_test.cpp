// Packed quarters of a year as readers see them: packed when they are over, unpacked before they change,
// counted.
#include <catch2/catch.hpp>

#include "store/database.hpp"
#include "store/ledger_view.hpp"
#include "store/opened_ledger.hpp"
#include "support/temp_directory.hpp"

using namespace tickledger;
using namespace tickledger::test;
using namespace std::chrono_literals;

namespace {

/// In winter, days of Lisbon and London begin at midnight UTC; those of Berlin begin an hour before.
const Instant winter_2024 = parse_rfc3339("2023-12-31T23:00:00Z").value();
const Instant year_2025 = parse_rfc3339("2025-01-01T00:00:00Z").value();
const Instant year_2026 = parse_rfc3339("2026-01-01T00:00:00Z").value();

Row row_of(Instant start, MeterKey meter) {
    const std::int64_t n = (start - winter_2024) / 24h;
    return {
        .ticks = n * 7 % 501 + meter, .covered = n % 90 == 0 ? 23h : 24h, .revision = n % 50 == 0 ? 1 : 0};
}

/// Civil days of several meters from 2024-01-01 to 2026-01-09, all in Berlin's winter time.
void write_days(Ledger& ledger, MeterKey meters) {
    REQUIRE(ledger.begin());
    for (MeterKey meter = 1; meter <= meters; ++meter)
        CHECK(value_of(ledger.meter_key("meter-" + std::to_string(meter))) == meter);
    for (Instant start = winter_2024; start < year_2026 + 24h * 9; start += 24h) {
        for (MeterKey meter = 1; meter <= meters; ++meter)
            REQUIRE(ledger.put_row({meter, Step::day, start}, row_of(start, meter)));
    }
    REQUIRE(ledger.commit());
}

int pack_all(Ledger& ledger, Instant before) {
    int times = 0;
    while (value_of(ledger.pack_oldest(before)))
        ++times;
    return times;
}

std::int64_t count(const std::filesystem::path& file, const char* sql) {
    auto reader = value_of(Database::open(file, Database::Access::read));
    return value_of(reader->integer(sql));
}

}  // namespace

TEST_CASE("the days of quarters that are over are packed, and each reads as before") {
    const TempDirectory directory;
    const auto file = directory / "ledger.db";
    auto ledger = opened(file);
    write_days(*ledger, 2);
    CHECK(pack_all(*ledger, year_2026 + 23h) == 8);  // The one day of 2023, 2024, and three quarters of 2025.
    CHECK(pack_all(*ledger, year_2026 + 24h) == 1);
    CHECK(count(file, "SELECT count(*) FROM packed_quarter") == 18);
    CHECK(count(file, "SELECT count(*) FROM usage_row") == 2 * 9);
    auto view = value_of(LedgerView::open(file));
    for (const bool at_one_moment : {false, true}) {
        if (at_one_moment) REQUIRE(view->begin());
        for (Instant start = winter_2024; start < year_2026 + 24h * 9; start += 24h) {
            CHECK(value_of(view->row({1, Step::day, start})) == row_of(start, 1));
            CHECK(value_of(ledger->row({2, Step::day, start})) == row_of(start, 2));
        }
        CHECK(value_of(view->row({1, Step::day, year_2025})) == std::nullopt);
        CHECK(value_of(view->row({3, Step::day, winter_2024})) == std::nullopt);
    }
    view->end();
}

TEST_CASE("a change to a day unpacks its quarter, which is packed again later") {
    const TempDirectory directory;
    const auto file = directory / "ledger.db";
    auto ledger = opened(file);
    write_days(*ledger, 2);
    pack_all(*ledger, year_2026 + 24h);
    auto view = value_of(LedgerView::open(file));
    REQUIRE(view->begin());
    const Instant day = winter_2024 + 24h * 100;
    CHECK(value_of(view->row({1, Step::day, day})) == row_of(day, 1));

    const Row changed{.ticks = 9, .covered = 24h, .revision = 2};
    REQUIRE(ledger->begin());
    REQUIRE(ledger->put_row({1, Step::day, day}, changed));
    REQUIRE(ledger->commit());
    CHECK(count(file, "SELECT count(*) FROM packed_quarter") == 17);
    // The reader's moment lasts until end().
    CHECK(value_of(view->row({1, Step::day, day})) == row_of(day, 1));
    view->end();
    for (int round = 0; round < 2; ++round) {
        REQUIRE(view->begin());
        CHECK(value_of(view->row({1, Step::day, day})) == changed);
        CHECK(value_of(view->row({1, Step::day, day + 24h})) == row_of(day + 24h, 1));
        view->end();
        CHECK(pack_all(*ledger, year_2026 + 24h) == 1 - round);
    }
    REQUIRE(ledger->begin());
    REQUIRE(ledger->revise_rows(1, Step::day, day, day + 24h));
    REQUIRE(ledger->remove_row({2, Step::day, year_2025 + 23h}));
    CHECK(value_of(ledger->row({1, Step::day, day}))->revision == 3);
    ledger->roll_back();
    CHECK(value_of(ledger->row({1, Step::day, day})) == changed);
    CHECK(value_of(ledger->row({2, Step::day, year_2025 + 23h})) == row_of(year_2025 + 23h, 2));
}

TEST_CASE("a quarter of very many meters is packed some at a time, and one that is imported later after it") {
    const TempDirectory directory;
    const auto file = directory / "ledger.db";
    auto ledger = opened(file);
    constexpr MeterKey meters = 130;
    REQUIRE(ledger->begin());
    for (MeterKey meter = 1; meter <= meters; ++meter) {
        REQUIRE(ledger->meter_key("meter-" + std::to_string(meter)));
        REQUIRE(ledger->put_row({meter, Step::day, year_2025}, row_of(year_2025, meter)));
    }
    REQUIRE(ledger->commit());
    CHECK(pack_all(*ledger, year_2026 + 24h) == 2);
    CHECK(count(file, "SELECT count(*) FROM packed_quarter") == meters);
    // History of an earlier quarter is imported afterwards.
    REQUIRE(ledger->begin());
    REQUIRE(ledger->put_row({meters, Step::day, winter_2024 + 24h}, {.ticks = 5}));
    REQUIRE(ledger->commit());
    CHECK(pack_all(*ledger, year_2026 + 24h) > 0);
    CHECK(count(file, "SELECT count(*) FROM usage_row") == 0);
    CHECK(value_of(ledger->row({meters, Step::day, winter_2024 + 24h}))->ticks == 5);
    CHECK(value_of(ledger->row({meters, Step::day, year_2025})) == row_of(year_2025, meters));
}

TEST_CASE("a damaged quarter is reported with its meter and beginning") {
    const TempDirectory directory;
    const auto file = directory / "ledger.db";
    auto ledger = opened(file);
    write_days(*ledger, 2);
    pack_all(*ledger, year_2026 + 24h);
    {
        auto other = value_of(Database::open(file, Database::Access::write));
        REQUIRE(other->execute("UPDATE packed_quarter SET block = x'00' WHERE meter = 2"));
    }
    const auto is_told = [](const auto& result) {
        REQUIRE_FALSE(result);
        CHECK_THAT(result.error().text, Catch::Contains("is damaged") &&
                                            Catch::Contains("the packed days of meter 2 from 2024-01-01 on"));
    };
    is_told(ledger->row({2, Step::day, winter_2024 + 24h}));
    is_told(ledger->put_row({2, Step::day, winter_2024 + 24h}, {}));
    CHECK(value_of(ledger->row({1, Step::day, winter_2024 + 24h})));
}

// A clock that is ahead removes nothing, because as many days as are kept must have rows, packed or not.
TEST_CASE("days of packed quarters count as days seen since the oldest reading") {
    const TempDirectory directory;
    auto ledger = opened(directory / "ledger.db");
    write_days(*ledger, 2);
    const Instant oldest = year_2025 + 24h * 200;
    Entry entry;
    entry.span = {oldest, oldest + 1h};
    done(ledger->add_entry(1, entry));
    // 164 civil days begin in 2025 after that UTC day, and 9 more are known.
    constexpr std::int64_t later_days = 164 + 9;
    for (const bool are_packed : {false, true}) {
        if (are_packed) pack_all(*ledger, year_2026 + 24h);
        REQUIRE(ledger->begin());
        CHECK_FALSE(value_of(ledger->remove_oldest_day(year_2026 + 24h * 400, later_days + 1)));
        CHECK(value_of(ledger->remove_oldest_day(year_2026 + 24h * 400, later_days)));
        ledger->roll_back();
    }
}
