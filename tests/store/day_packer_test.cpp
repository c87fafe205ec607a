// Packed days as readers see them: the documented format, damage, many meters, removal.
#include <algorithm>
#include <catch2/catch.hpp>

#include "store/database.hpp"
#include "store/documented_script.hpp"
#include "store/opened_ledger.hpp"
#include "store/packed_block.hpp"
#include "support/temp_directory.hpp"

using namespace tickledger;
using namespace tickledger::test;
using namespace std::chrono_literals;

namespace {

const Instant start = parse_rfc3339("2026-03-01T00:00:00Z").value();

Entry reading(Instant to, std::int64_t ticks, Mark end) {
    Entry entry;
    entry.span = {to - 15min, to};
    entry.ticks = ticks;
    entry.end = end;
    entry.begin_count = end.count - static_cast<std::uint64_t>(ticks);
    return entry;
}

/// Two days of two meters, with nothing regular in them.
void write_odd_days(Ledger& ledger) {
    REQUIRE(ledger.begin());
    std::uint64_t count = ~std::uint64_t{0} - 20;
    for (int at = 1; at <= 150; ++at) {
        for (const MeterKey meter : {1, 2}) {
            const auto ticks = std::int64_t{at % 7} * meter;
            count += static_cast<std::uint64_t>(ticks);
            Entry entry = reading(start + at * 15min + Duration{at * at % 11}, ticks,
                                  {count, ~std::uint64_t{0} - static_cast<std::uint64_t>(at / 50),
                                   static_cast<std::uint64_t>(at % 100)});
            if (at % 20 == 0) entry.span.from -= 3min;
            if (at % 30 == 0) entry.begin_count = std::uint64_t{1} << 63;
            if (at % 40 == 0) entry.unseen_max = ~std::uint64_t{0};
            entry.time_estimated = at % 9 == 0;
            REQUIRE(ledger.add_entry(meter, entry));
            if (at % 25 == 0) REQUIRE(ledger.add_entry(meter, entry));
            const Instant row = start + at * 15min;
            REQUIRE(
                ledger.put_row({meter, Step::interval, row}, {ticks, 15min - Duration{at % 3}, at % 4, 0}));
            if (at % 4 == 0) REQUIRE(ledger.put_row({meter, Step::hour, row}, {ticks, 1h, 0, at % 5}));
        }
    }
    REQUIRE(ledger.commit());
}

std::string signed_text(std::uint64_t number) {
    return std::to_string(static_cast<std::int64_t>(number));
}

/// The lines that the documented script must print for the packed readings of a meter.
void append_readings(std::string& lines, Ledger& ledger, MeterKey meter, std::int64_t day) {
    std::int64_t n = 0;
    std::optional<Span> before;
    const auto entries = ledger.entries(meter, {start_of_day(day) - Duration{1}, start_of_day(day + 1) + 1h});
    for (const Entry& entry : entries.value()) {
        if (day_of(entry.span.to) != day) continue;
        n = before && before->to == entry.span.to && before->from == entry.span.from ? n + 1 : 0;
        before = entry.span;
        lines += "packed_day entries " + std::to_string(meter);
        for (const std::string& value :
             {std::to_string(microseconds_of(entry.span.to)), std::to_string(entry.span.length().count()),
              std::to_string(n), std::to_string(entry.ticks), std::string(entry.time_estimated ? "1" : "0"),
              entry.unseen_max ? signed_text(*entry.unseen_max) : std::string("None"),
              signed_text(entry.begin_count), signed_text(entry.end.count), signed_text(entry.end.boot),
              signed_text(entry.end.seq)})
            lines += ' ' + value;
        lines += '\n';
    }
}

void append_rows(std::string& lines, Ledger& ledger, MeterKey meter, Step step, UtcDays days) {
    for (Instant at = start_of_day(days.first); at < start_of_day(days.first + days.count); at += 15min) {
        const auto row = ledger.row({meter, step, at}).value();
        if (!row) continue;
        lines += step == Step::interval ? "packed_day"
                 : step == Step::hour   ? "packed_hours"
                                        : "packed_quarter";
        lines += " rows " + std::to_string(meter);
        for (const std::int64_t value :
             {microseconds_of(at), row->ticks, row->covered.count(), row->spread_ticks, row->revision})
            lines += ' ' + std::to_string(value);
        lines += '\n';
    }
}

}  // namespace

// Python's zlib, json and sqlite3 are the reference; the script is the one in the documentation.
TEST_CASE("the script in docs/ledger-format.md reads packed days as they were written") {
    const TempDirectory directory;
    const auto file = directory / "ledger.db";
    auto ledger = opened(file);
    write_odd_days(*ledger);
    for (int at = 0; at < 20; ++at) {
        const RowKey key{1 + at % 2, Step::day, start - at * at * 24h - at % 3 * 1h};
        done(ledger->put_row(key, {at * 7 % 11, 24h - at % 4 * 1h, at % 5, at % 6}));
    }
    const auto first_day = day_of(start);
    std::string expected;
    for (const auto day : {first_day, first_day + 1}) {
        for (const MeterKey meter : {1, 2}) {
            append_readings(expected, *ledger, meter, day);
            append_rows(expected, *ledger, meter, Step::interval, {day});
        }
    }
    for (const auto day : {first_day, first_day + 1}) {
        for (const MeterKey meter : {1, 2})
            append_rows(expected, *ledger, meter, Step::hour, {day});
    }
    for (UtcDays quarter = quarter_of(start - 365 * 24h); quarter.first + quarter.count <= first_day;
         quarter = quarter_of(start_of_day(quarter.first + quarter.count))) {
        for (const MeterKey meter : {1, 2})
            append_rows(expected, *ledger, meter, Step::day, quarter);
    }
    for (bool packed = true; packed;)
        packed = ledger->pack_oldest(start + 48h).value();

    CHECK(printed_by_documented_script(directory, file) == expected);
}

TEST_CASE("every query that needs a damaged block reports its meter and day") {
    const TempDirectory directory;
    const auto file = directory / "ledger.db";
    auto ledger = opened(file);
    write_odd_days(*ledger);
    REQUIRE(ledger->pack_oldest(start + 24h).value());
    {
        auto other = std::move(Database::open(file, Database::Access::write).value());
        REQUIRE(
            other->execute("UPDATE packed_day SET block = x'00' WHERE meter = 2;"
                           "UPDATE packed_hours SET block = x'00' WHERE meter = 2"));
    }
    const auto is_told = [](const auto& result) {
        REQUIRE_FALSE(result);
        CHECK_THAT(result.error().text, Catch::Contains("is damaged") && Catch::Contains("meter 2") &&
                                            Catch::Contains("2026-03-01"));
    };
    is_told(ledger->entries(2, {start, start + 24h}));
    is_told(ledger->entry_at(2, start + 5h));
    is_told(ledger->entry_before(2, start + 5h));
    is_told(ledger->row({2, Step::interval, start + 5h}));
    is_told(ledger->row({2, Step::hour, start + 5h}));
    is_told(ledger->put_row({2, Step::interval, start + 5h}, {}));
    is_told(ledger->add_entry(2, reading(start + 5h, 1, {})));
    CHECK(ledger->entries(1, {start, start + 24h}));
}

TEST_CASE("a day of very many meters is packed some at a time, completely, and the next day after it") {
    const TempDirectory directory;
    const auto file = directory / "ledger.db";
    auto ledger = opened(file);
    constexpr MeterKey meters = 300;
    REQUIRE(ledger->begin());
    for (MeterKey meter = 1; meter <= meters; ++meter) {
        for (const auto at : {1h, 25h})
            REQUIRE(ledger->add_entry(meter, reading(start + at, meter, {})));
    }
    // This meter has rows but no entry on that day.
    REQUIRE(ledger->put_row({meters + 1, Step::interval, start}, {1, 1h, 0, 0}));
    REQUIRE(ledger->commit());
    int times = 0;
    while (ledger->pack_oldest(start + 48h).value())
        ++times;
    CHECK(times == 6);
    auto reader = std::move(Database::open(file, Database::Access::read).value());
    CHECK(reader->integer("SELECT count(*) FROM entry").value() == 0);
    CHECK(reader->integer("SELECT count(*) FROM usage_row").value() == 0);
    CHECK(reader->integer("SELECT count(*) FROM packed_day").value() == 2 * meters + 1);
    for (const MeterKey meter : {1, 128, 129, 300})
        CHECK(ledger->entry_before(meter, start + 24h).value()->ticks == meter);
}

TEST_CASE("a gap moved before the readings of its instant when their day had been packed and unpacked") {
    const TempDirectory directory;
    auto ledger = opened(directory / "ledger.db");
    std::vector<Entry> entries;
    for (const std::uint64_t seq : {1, 2, 3, 4, 5}) {
        Entry entry = reading(start + 5h, 0, {0, 7, seq});
        entry.span.from = entry.span.to;
        if (seq == 2 || seq == 4) entry.kind = EntryKind::lost;
        entries.push_back(entry);
    }
    REQUIRE(ledger->begin());
    for (const Entry& entry : entries)
        done(ledger->add_entry(1, entry));
    CHECK(value_of(ledger->pack_oldest(start + 48h)));
    done(ledger->commit());
    REQUIRE(ledger->begin());
    const Entry later = reading(start + 6h, 1, {1, 7, 6});
    done(ledger->add_entry(1, later));
    done(ledger->commit());
    entries.push_back(later);
    CHECK(value_of(ledger->entries(1, {start, start + 24h})) == entries);
}

TEST_CASE("packed readings are removed with the oldest day, packed hours stay") {
    const TempDirectory directory;
    const auto file = directory / "ledger.db";
    auto ledger = opened(file);
    write_odd_days(*ledger);
    for (bool packed = true; packed;)
        packed = ledger->pack_oldest(start + 48h).value();
    REQUIRE(ledger->remove_oldest_day(start + 24h).value());
    CHECK(ledger->entries(1, {start - 1h, start + 23h}).value().empty());
    CHECK_FALSE(ledger->row({1, Step::interval, start + 5h}).value());
    CHECK(ledger->row({1, Step::hour, start + 5h}).value());
    CHECK(ledger->row({1, Step::interval, start + 25h}).value());
    CHECK_FALSE(ledger->entries(1, {start + 25h, start + 26h}).value().empty());
}
