// Several entries and rows of a meter in one transaction: the documented format, damage, what stays a row.
#include <algorithm>
#include <array>
#include <catch2/catch.hpp>
#include <set>
#include <sstream>

#include <rapidcheck/catch.h>

#include "store/database.hpp"
#include "store/documented_script.hpp"
#include "store/entry_group.hpp"
#include "store/opened_ledger.hpp"
#include "support/temp_directory.hpp"

using namespace tickledger;
using namespace tickledger::test;
using namespace std::chrono_literals;

namespace {

const Instant start = parse_rfc3339("2026-03-01T00:00:00Z").value();

std::int64_t count(const std::filesystem::path& file, const char* sql) {
    return Database::open(file, Database::Access::read).value()->integer(sql).value();
}

/// The `at`-th entry of a meter. Its fields take every unusual form that an entry can have.
Entry odd(int at) {
    Entry entry;
    entry.span.from = start + at * 15min + Duration{at * at % 11};
    entry.span.to = start + (at + 1) * 15min + Duration{(at + 1) * (at + 1) % 11};
    if (at % 7 == 0) entry.span.from += 1min;
    entry.ticks = at % 5;
    entry.end = {static_cast<std::uint64_t>(at) * 3 - 100, at % 20 == 19 ? ~std::uint64_t{0} : 7,
                 static_cast<std::uint64_t>(at % 100) - 3};
    entry.begin_count = entry.end.count - static_cast<std::uint64_t>(entry.ticks);
    if (at % 9 == 0) entry.begin_count = std::uint64_t{1} << 63;
    if (at % 8 == 0) entry.unseen_max = ~std::uint64_t{0};
    entry.time_estimated = at % 6 == 0;
    return entry;
}

std::string signed_text(std::uint64_t number) {
    return std::to_string(static_cast<std::int64_t>(number));
}

/// As the documented script prints it.
std::string line_of(MeterKey meter, const Entry& entry) {
    std::string line = "entry_group entries " + std::to_string(meter);
    for (const std::string& value :
         {std::to_string(microseconds_of(entry.span.to)), std::to_string(entry.span.length().count()),
          std::string("0"), std::to_string(entry.ticks), std::string(entry.time_estimated ? "1" : "0"),
          entry.unseen_max ? signed_text(*entry.unseen_max) : std::string("None"),
          signed_text(entry.begin_count), signed_text(entry.end.count), signed_text(entry.end.boot),
          signed_text(entry.end.seq)})
        line += ' ' + value;
    return line;
}

std::multiset<std::string> lines_of(const std::string& text) {
    std::istringstream in(text);
    std::multiset<std::string> lines;
    for (std::string line; std::getline(in, line);)
        lines.insert(line);
    return lines;
}

}  // namespace

// Python's sqlite3 is the reference; the script is the one in the documentation.
TEST_CASE("the script in docs/ledger-format.md reads groups of entries as they were written") {
    const TempDirectory directory;
    const auto file = directory / "ledger.db";
    std::multiset<std::string> expected;
    {
        auto ledger = opened(file);
        REQUIRE(ledger->begin());
        for (int at = 0; at < 150; ++at) {
            for (const MeterKey meter : {1, 2}) {
                REQUIRE(ledger->add_entry(meter, odd(at)));
                expected.insert(line_of(meter, odd(at)));
            }
        }
        REQUIRE(ledger->commit());
    }
    REQUIRE(count(file, "SELECT count(*) FROM entry") == 0);
    CHECK(count(file, "SELECT count(*) FROM entry_group") < 60);

    CHECK(lines_of(printed_by_documented_script(directory, file)) == expected);
}

TEST_CASE("a meter that is heard once in a transaction gets a plain row, which SQL alone can read") {
    const TempDirectory directory;
    const auto file = directory / "ledger.db";
    auto ledger = opened(file);
    for (int at = 0; at < 20; ++at) {
        REQUIRE(ledger->begin());
        REQUIRE(ledger->add_entry(1, odd(at)));
        REQUIRE(ledger->commit());
    }
    CHECK(count(file, "SELECT count(*) FROM entry") == 20);
    CHECK(count(file, "SELECT count(*) FROM entry_group") == 0);
}

TEST_CASE(
    "an entry of a group can be removed, and an adjustment is stored beside an entry of the same span") {
    const TempDirectory directory;
    const auto file = directory / "ledger.db";
    auto ledger = opened(file);
    REQUIRE(ledger->begin());
    for (int at = 0; at < 10; ++at)
        REQUIRE(ledger->add_entry(1, odd(at)));
    REQUIRE(ledger->commit());

    Entry adjustment = odd(4);
    adjustment.kind = EntryKind::adjustment;
    REQUIRE(ledger->begin());
    REQUIRE(ledger->add_entry(1, adjustment));
    REQUIRE(ledger->remove_entry(1, odd(6)));
    REQUIRE(ledger->commit());

    const auto entries = ledger->entries(1, {start - 1h, start + 24h}).value();
    REQUIRE(entries.size() == 10);
    CHECK(entries[4] == odd(4));
    CHECK(entries[5] == adjustment);
    CHECK(entries[7] == odd(7));
    // Packing and unpacking change nothing.
    REQUIRE(ledger->pack_oldest(start + 24h).value());
    CHECK(ledger->entries(1, {start - 1h, start + 24h}).value() == entries);
    REQUIRE(ledger->remove_entry(1, adjustment));
    CHECK(ledger->entries(1, {start - 1h, start + 24h}).value().size() == 9);
}

TEST_CASE("late messages, one after the other, made one row each from the entry that the first one divided") {
    const TempDirectory directory;
    const auto file = directory / "ledger.db";
    auto ledger = opened(file);
    // A span over midnight that a node fills afterwards, with a message for every five minutes, in two
    // transactions.
    Entry rest;
    rest.span = {start - 12h, start + 12h};
    rest.end.count = 1000;
    REQUIRE(ledger->add_entry(1, rest));
    std::vector<Entry> expected;
    REQUIRE(ledger->begin());
    for (int at = 1; at < 288; ++at) {
        const Instant t = start - 12h + at * 5min;
        REQUIRE(ledger->entry_at(1, t).value() == rest);
        const auto before = ledger->entry_before(1, rest.span.from).value();
        REQUIRE(before == (expected.empty() ? std::nullopt : std::optional(expected.back())));
        const Entry whole = rest;
        Entry first = rest;
        first.span.to = rest.span.from = t;
        first.ticks = at % 3;
        first.end.count = rest.begin_count = rest.begin_count + static_cast<std::uint64_t>(first.ticks);
        REQUIRE(ledger->replace_entry(1, whole, std::array{first, rest}));
        expected.push_back(first);
        if (at != 100) continue;
        REQUIRE(ledger->commit());
        REQUIRE(ledger->begin());
    }
    REQUIRE(ledger->commit());
    expected.push_back(rest);
    CHECK(ledger->entries(1, {start - 24h, start + 24h}).value() == expected);
    // The last group of the first transaction was turned back into rows.
    CHECK(count(file, "SELECT count(*) FROM entry") < 50);
    CHECK(count(file, "SELECT count(*) FROM entry_group") > 5);
}

TEST_CASE("a reading that was rolled back is not written with the next transaction") {
    const TempDirectory directory;
    auto ledger = opened(directory / "ledger.db");
    REQUIRE(ledger->begin());
    REQUIRE(ledger->add_entry(1, odd(0)));
    ledger->roll_back();
    REQUIRE(ledger->begin());
    REQUIRE(ledger->add_entry(1, odd(1)));
    REQUIRE(ledger->commit());
    CHECK(ledger->entries(1, {start - 1h, start + 24h}).value() == std::vector{odd(1)});
}

TEST_CASE("rows of a series that wait to be written are read, changed and removed as if they did not wait") {
    const TempDirectory directory;
    const auto file = directory / "ledger.db";
    auto ledger = opened(file);
    const auto key = [](int at) { return RowKey{1, Step::interval, start + at * 15min}; };
    REQUIRE(ledger->begin());
    for (int at = 0; at < 21; ++at) {
        REQUIRE(ledger->put_row(key(at), {at, 15min, 0, 0}));
        REQUIRE(ledger->put_row(key(at), {at + 1, 15min, 0, 0}));
        if (at % 5 == 4) CHECK(ledger->row(key(at)).value()->ticks == at + 1);
    }
    REQUIRE(ledger->remove_row(key(20)));
    REQUIRE(ledger->put_row(key(3), {99, 15min, 0, 0}));
    REQUIRE(ledger->revise_rows(1, Step::interval, start, start + 1h));
    REQUIRE(ledger->put_row(key(19), {7, 15min, 0, 0}));
    REQUIRE(ledger->commit());
    CHECK(count(file, "SELECT count(*) FROM usage_row") == 20);
    CHECK(ledger->row(key(3)).value() == Row{99, 15min, 0, 1});
    CHECK(ledger->row(key(19)).value() == Row{7, 15min, 0, 0});
    CHECK_FALSE(ledger->row(key(20)).value());

    REQUIRE(ledger->begin());
    REQUIRE(ledger->put_row(key(50), {1, 15min, 0, 0}));
    ledger->roll_back();
    REQUIRE(ledger->begin());
    REQUIRE(ledger->commit());
    CHECK_FALSE(ledger->row(key(50)).value());
}

TEST_CASE("every query that needs a damaged group reports its meter and time") {
    const TempDirectory directory;
    const auto file = directory / "ledger.db";
    auto ledger = opened(file);
    REQUIRE(ledger->begin());
    for (const MeterKey meter : {1, 2}) {
        for (int at = 0; at < 10; ++at)
            REQUIRE(ledger->add_entry(meter, odd(at)));
    }
    REQUIRE(ledger->commit());
    {
        auto other = std::move(Database::open(file, Database::Access::write).value());
        REQUIRE(other->execute("UPDATE entry_group SET block = x'00' WHERE meter = 2"));
    }
    const auto is_told = [](const auto& result) {
        REQUIRE_FALSE(result);
        CHECK_THAT(result.error().text, Catch::Contains("is damaged") && Catch::Contains("meter 2") &&
                                            Catch::Contains("2026-03-01T02:30:00"));
    };
    is_told(ledger->entries(2, {start, start + 24h}));
    is_told(ledger->entry_at(2, start + 1h));
    is_told(ledger->entry_before(2, start + 1h));
    is_told(ledger->remove_entry(2, odd(3)));
    is_told(ledger->pack_oldest(start + 24h));
    ledger->roll_back();
    CHECK(ledger->entries(1, {start, start + 24h}).value().size() == 10);
}

TEST_CASE("reading any bytes as a group gives entries in order or an error") {
    rc::prop("random bytes", [](const std::string& bytes, std::int64_t to_us) {
        const auto entries = entries_of_group(bytes, instant_of(to_us));
        if (!entries) {
            RC_ASSERT_FALSE(entries.error().text.empty());
            return;
        }
        RC_ASSERT_FALSE(entries->empty());
        RC_ASSERT(entries->back().entry.span.to == instant_of(to_us));
    });
    rc::prop("one flipped bit of a group", [] {
        EntryGroup group;
        for (int at = 0; at < 20; ++at)
            group.add(odd(at));
        std::string bytes(group.block());
        const auto at = *rc::gen::inRange<std::size_t>(0, bytes.size() * 8);
        bytes[at / 8] = static_cast<char>(bytes[at / 8] ^ (1 << (at % 8)));
        const auto entries = entries_of_group(bytes, group.last().span.to);
        if (!entries) return;
        for (std::size_t i = 1; i < entries->size(); ++i)
            RC_ASSERT(comes_before((*entries)[i - 1], (*entries)[i]));
    });
}
