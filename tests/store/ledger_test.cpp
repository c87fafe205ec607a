#include "store/ledger.hpp"

#include <signal.h>
#include <sqlite3.h>
#include <sys/wait.h>
#include <unistd.h>

#include <catch2/catch.hpp>
#include <fstream>
#include <map>

#include "store/backup.hpp"
#include "store/database.hpp"
#include "store/ledger_view.hpp"
#include "store/opened_ledger.hpp"
#include "store/schema.hpp"
#include "support/child_process.hpp"
#include "support/temp_directory.hpp"

using namespace tickledger;
using namespace tickledger::test;
using namespace std::chrono_literals;

namespace {

const Instant start = parse_rfc3339("2026-03-01T00:00:00Z").value();

Entry measured(Duration from, Duration to, std::int64_t ticks, std::uint64_t begin_count) {
    Entry entry;
    entry.span = {start + from, start + to};
    entry.ticks = ticks;
    entry.begin_count = begin_count;
    entry.end = {begin_count + static_cast<std::uint64_t>(ticks), 0x8000'0000'0000'0001, 17};
    return entry;
}

}  // namespace

TEST_CASE("a new ledger is empty and starts at the beginning of the log") {
    const TempDirectory directory;
    auto ledger = opened(directory / "ledger.db");
    CHECK(value_of(ledger->log_position()) == LogPosition{});
    CHECK(value_of(ledger->meters()).empty());
    CHECK(value_of(ledger->fact("accepted")) == std::nullopt);
    CHECK(value_of(ledger->entry_at(1, start)) == std::nullopt);
    CHECK(value_of(ledger->entry_before(1, start)) == std::nullopt);
    CHECK(value_of(ledger->entries(1, {start - 24h * 400, start + 24h * 400})).empty());
    CHECK(value_of(ledger->outbox(0, 10)).empty());
}

TEST_CASE("committed data is there after the ledger was closed and opened") {
    const TempDirectory directory;
    const Entry entry = measured(0h, 15min, 3, 100);
    const RowKey key{1, Step::day, start};
    const Row row{3, 15min, 1, 2};
    {
        auto ledger = opened(directory / "ledger.db");
        done(ledger->begin());
        done(ledger->set_log_position({"2026-03-01.jsonl", 0xFFFF'FFFF'FFFF'FFFF}));
        done(ledger->set_fact("accepted", "7"));
        done(ledger->set_fact("accepted", "8"));
        CHECK(value_of(ledger->meter_key("house")) == 1);
        CHECK(value_of(ledger->meter_key("garden")) == 2);
        CHECK(value_of(ledger->meter_key("house")) == 1);
        done(ledger->set_state(1, R"({"last":1})"));
        done(ledger->add_entry(1, entry));
        done(ledger->put_row(key, {1, 5min, 0, 0}));
        done(ledger->put_row(key, row));
        done(ledger->put_boot(1, {0xFFFF'FFFF'FFFF'FFFF, 5, std::nullopt}));
        done(ledger->put_boot(1, {0xFFFF'FFFF'FFFF'FFFF, 5, 0xFFFF'FFFF'FFFF'FFFF}));
        done(ledger->commit());
    }
    auto ledger = opened(directory / "ledger.db");
    CHECK(value_of(ledger->log_position()) == LogPosition{"2026-03-01.jsonl", 0xFFFF'FFFF'FFFF'FFFF});
    CHECK(value_of(ledger->fact("accepted")) == "8");
    const auto meters = value_of(ledger->meters());
    REQUIRE(meters.size() == 2);
    CHECK(meters[0].id == "house");
    CHECK(meters[0].state == R"({"last":1})");
    CHECK(meters[1].key == 2);
    CHECK(meters[1].state.empty());
    CHECK(value_of(ledger->entry_at(1, start + 1min)) == entry);
    CHECK(value_of(ledger->entry_at(2, start + 1min)) == std::nullopt);
    CHECK(value_of(ledger->row(key)) == row);
    CHECK(value_of(ledger->row({2, Step::day, start})) == std::nullopt);
    CHECK(value_of(ledger->row({1, Step::hour, start})) == std::nullopt);
    const auto boot = value_of(ledger->boot(1, 0xFFFF'FFFF'FFFF'FFFF));
    REQUIRE(boot);
    CHECK(boot->first_seq == 5);
    CHECK(boot->last_seq == 0xFFFF'FFFF'FFFF'FFFF);
    CHECK_FALSE(value_of(ledger->boot(2, 0xFFFF'FFFF'FFFF'FFFF)));
    CHECK_FALSE(value_of(ledger->boot(1, 1)));
}

TEST_CASE("every field of an entry reads back unchanged, also at the ends of its range") {
    const TempDirectory directory;
    auto ledger = opened(directory / "ledger.db");
    constexpr auto most = std::numeric_limits<std::uint64_t>::max();
    Entry odd = measured(1h, 2h, -5, 0);
    odd.kind = EntryKind::preset;
    odd.time_estimated = true;
    odd.unseen_max = most;
    odd.begin_count = most;
    odd.end = {most, most, most};
    Entry wrapped = measured(2h, 3h, 7, 0xFFFF'FFFE);
    wrapped.end.count = 5;
    Entry unknown_begin = measured(3h, 4h, 7, 0);
    unknown_begin.end.count = 0;  // A meter that sends pulses has no count.
    Entry lost = measured(4h, 5h, 0, 9);
    lost.kind = EntryKind::lost;
    lost.end = {0, 3, 12};
    for (const Entry& entry : {odd, wrapped, unknown_begin, lost}) {
        done(ledger->add_entry(1, entry));
        CHECK(value_of(ledger->entry_at(1, entry.span.to)) == entry);
    }
}

TEST_CASE("roll_back undoes everything, and the same batch can be booked afterwards") {
    const TempDirectory directory;
    auto ledger = opened(directory / "ledger.db");
    const Entry entry = measured(0h, 15min, 3, 100);
    for (const bool keep : {false, true}) {
        done(ledger->begin());
        const auto meter = value_of(ledger->meter_key("house"));
        CHECK(value_of(ledger->meters()).size() == 1);
        done(ledger->add_entry(meter, entry));
        done(ledger->queue({0, "meters/house/now", "{}", true}));
        CHECK(value_of(ledger->entries(meter, entry.span)).size() == 1);
        if (keep) {
            done(ledger->commit());
            CHECK(value_of(ledger->entries(meter, entry.span)).size() == 1);
        } else {
            ledger->roll_back();
            CHECK(value_of(ledger->meters()).empty());
            CHECK(value_of(ledger->entries(meter, entry.span)).empty());
            CHECK(value_of(ledger->outbox(0, 9)).empty());
        }
    }
    ledger->roll_back();  // Nothing is open: nothing happens.
    done(ledger->begin());
    CHECK_FALSE(ledger->begin());
    ledger->roll_back();
    CHECK(value_of(ledger->meters()).size() == 1);
}

TEST_CASE("a removed entry is gone, and removing one that is not there is an error") {
    const TempDirectory directory;
    auto ledger = opened(directory / "ledger.db");
    const Entry entry = measured(0h, 15min, 3, 100);
    Entry adjustment = entry;
    adjustment.kind = EntryKind::adjustment;
    done(ledger->add_entry(1, entry));
    done(ledger->add_entry(1, adjustment));
    done(ledger->remove_entry(1, entry));
    CHECK(value_of(ledger->entries(1, entry.span)) == std::vector<Entry>{adjustment});
    CHECK(value_of(ledger->entries(1, {Instant::min(), Instant::max()})) == std::vector<Entry>{adjustment});
    CHECK(value_of(ledger->entries(1, {start + 1h, start})).empty());
    const auto again = ledger->remove_entry(1, entry);
    REQUIRE_FALSE(again);
    CHECK_THAT(again.error().text, Catch::Contains("2026-03-01T00:15:00"));
}

TEST_CASE("spans of no length at one instant keep the order in which they were added") {
    const TempDirectory directory;
    auto ledger = opened(directory / "ledger.db");
    const Entry long_one = measured(0h, 1h, 1, 100);
    const Entry first = measured(1h, 1h, 2, 101);
    const Entry second = measured(1h, 1h, 3, 103);
    for (const Entry& entry : {first, second, long_one})
        done(ledger->add_entry(1, entry));
    CHECK(value_of(ledger->entry_at(1, start + 1h)) == long_one);
    CHECK(value_of(ledger->entry_before(1, start + 1h)) == second);
    CHECK(value_of(ledger->entries(1, {start, start + 1h})) == std::vector<Entry>{long_one, first, second});
    CHECK(value_of(ledger->entries(1, {start + 1h, start + 2h})).empty());
    done(ledger->remove_entry(1, second));
    CHECK(value_of(ledger->entry_before(1, start + 1h)) == first);
    done(ledger->remove_entry(1, long_one));
    CHECK(value_of(ledger->entry_at(1, start + 1h)) == first);
}

TEST_CASE("an entry added after an earlier one of its span was removed comes after the others, not before") {
    const TempDirectory directory;
    auto ledger = opened(directory / "ledger.db");
    std::vector<Entry> entries;
    for (const std::uint64_t begin_count : {10, 11, 12, 13})
        entries.push_back(measured(5h, 5h, 1, begin_count));
    done(ledger->begin());
    for (std::size_t i = 0; i < 3; ++i)
        done(ledger->add_entry(1, entries[i]));
    done(ledger->remove_entry(1, entries[0]));
    done(ledger->add_entry(1, entries[3]));
    done(ledger->commit());
    CHECK(value_of(ledger->entries(1, {start, start + 9h})) ==
          std::vector{entries[1], entries[2], entries[3]});
    CHECK(value_of(ledger->entry_before(1, start + 9h)) == entries[3]);
}

TEST_CASE("the parts of a gap at one instant came after the messages that followed the gap at that instant") {
    const TempDirectory directory;
    auto ledger = opened(directory / "ledger.db");
    const auto begins = GENERATE(0min, 1min);
    Entry gap = measured(5h - begins, 5h, 0, 20);
    gap.kind = EntryKind::lost;
    const Entry after = measured(5h, 5h, 1, 30);
    const Entry last = measured(5h, 5h, 2, 31);
    const Entry before = measured(4h, 5h - begins, 0, 9);
    done(ledger->begin());
    for (const Entry& entry : {before, gap, after, last})
        done(ledger->add_entry(1, entry));
    const std::vector parts{measured(5h - begins, 5h, 3, 20), measured(5h, 5h, 4, 23),
                            measured(5h, 5h, 0, 27)};
    done(ledger->replace_entry(1, gap, parts));
    done(ledger->commit());
    CHECK(value_of(ledger->entries(1, {start, start + 9h})) ==
          std::vector{before, parts[0], parts[1], parts[2], after, last});
}

TEST_CASE("a gap is found by each of its missing messages, also if seq wraps inside it") {
    const TempDirectory directory;
    auto ledger = opened(directory / "ledger.db");
    Entry plain = measured(0h, 1h, 0, 5);
    plain.kind = EntryKind::lost;
    plain.end = {0, 77, 8};
    Entry wrapped = plain;
    wrapped.span = {start + 2h, start + 3h};
    wrapped.begin_count = 254;
    wrapped.end.seq = 1;
    done(ledger->add_entry(1, plain));
    done(ledger->add_entry(1, wrapped));
    for (const std::uint64_t seq : {5U, 6U, 8U})
        CHECK(value_of(ledger->gap_of(1, 77, seq)) == plain);
    for (const std::uint64_t seq : {254U, 255U, 0U, 1U})
        CHECK(value_of(ledger->gap_of(1, 77, seq)) == wrapped);
    for (const std::uint64_t seq : {2U, 4U, 9U, 253U})
        CHECK(value_of(ledger->gap_of(1, 77, seq)) == std::nullopt);
    CHECK(value_of(ledger->gap_of(1, 78, 6)) == std::nullopt);
    CHECK(value_of(ledger->gap_of(2, 77, 6)) == std::nullopt);
    done(ledger->remove_entry(1, plain));
    CHECK(value_of(ledger->gap_of(1, 77, 6)) == std::nullopt);
}

TEST_CASE("the space of removed days is used again: a ledger that keeps only the last days does not grow") {
    const TempDirectory directory;
    const auto file = directory / "ledger.db";
    auto ledger = opened(file);
    const auto pages = [&] {
        auto reader = value_of(Database::open(file, Database::Access::read));
        return value_of(reader->integer("PRAGMA page_count"));
    };
    constexpr int days_kept = 10;
    std::int64_t pages_when_full = 0;
    for (int day = 0; day < 5 * days_kept; ++day) {
        done(ledger->begin());
        for (int minute = 0; minute < 24 * 60; minute += 3)
            done(ledger->add_entry(
                1, measured(24h * day + 1min * minute, 24h * day + 1min * (minute + 3), 1, 1)));
        done(ledger->commit());
        if (day >= days_kept) CHECK(value_of(ledger->remove_oldest_day(start + 24h * (day - days_kept + 1))));
        if (day == days_kept + 1) pages_when_full = pages();
    }
    INFO(pages() << " pages, " << pages_when_full << " when it was first full");
    CHECK(pages() * 100 <= pages_when_full * 105);
}

TEST_CASE("the oldest days of fine detail can be removed, and coarser rows stay") {
    const TempDirectory directory;
    auto ledger = opened(directory / "ledger.db");
    for (const auto day : {0, 1, 3}) {
        done(ledger->add_entry(1, measured(24h * day + 1h, 24h * day + 2h, 1, 1)));
        done(ledger->put_row({1, Step::interval, start + 24h * day}, {1, 1h, 0, 0}));
        done(ledger->put_row({1, Step::hour, start + 24h * day}, {1, 1h, 0, 0}));
    }
    CHECK_FALSE(value_of(ledger->remove_oldest_day(start + 23h)));
    CHECK(value_of(ledger->remove_oldest_day(start + 48h)));
    CHECK(value_of(ledger->remove_oldest_day(start + 48h)));
    CHECK_FALSE(value_of(ledger->remove_oldest_day(start + 48h)));
    CHECK(value_of(ledger->entries(1, {start, start + 24h * 9})).size() == 1);
    CHECK_FALSE(value_of(ledger->row({1, Step::interval, start + 24h})));
    CHECK(value_of(ledger->row({1, Step::interval, start + 72h})));
    CHECK(value_of(ledger->row({1, Step::hour, start})));
    CHECK(value_of(ledger->entry_before(1, start + 72h)) == std::nullopt);
    // Days are marked again after their marks were removed.
    done(ledger->add_entry(1, measured(0h, 1h, 1, 1)));
    CHECK(value_of(ledger->entries(1, {start, start + 24h})).size() == 1);
}

TEST_CASE(
    "a second writer is told which process holds the ledger, and closing the ledger releases the lock") {
    const TempDirectory directory;
    {
        auto ledger = opened(directory / "ledger.db");
        const auto second = Ledger::open(directory / "ledger.db");
        REQUIRE_FALSE(second);
        CHECK(second.error().held_by_another);
        CHECK_THAT(second.error().text,
                   Catch::Contains("ledger.db") && Catch::Contains("process " + std::to_string(::getpid())));
    }
    CHECK(Ledger::open(directory / "ledger.db"));
}

TEST_CASE("commits counted as durable although a reader of an earlier moment kept them from the disk") {
    const TempDirectory directory;
    const auto file = directory / "ledger.db";
    auto ledger = opened(file);
    done(ledger->make_durable());
    auto reader = value_of(Database::open(file, Database::Access::read));
    done(reader->begin_read());
    done(ledger->set_fact("accepted", "1"));
    const auto held_up = ledger->make_durable();
    REQUIRE_FALSE(held_up);
    CHECK_THAT(held_up.error().text,
               Catch::Contains(file.string()) && Catch::Contains("a reader still needs"));
    reader->roll_back();
    done(ledger->make_durable());
}

TEST_CASE("the error of a ledger that cannot be opened says where and why, and that no process holds it") {
    const TempDirectory directory;
    const auto missing = Ledger::open(directory / "nowhere/ledger.db");
    REQUIRE_FALSE(missing);
    CHECK_FALSE(missing.error().held_by_another);
    CHECK_THAT(missing.error().text, Catch::Contains("nowhere/ledger.db"));

    std::ofstream(directory / "text.db") << std::string(5000, 'x');
    const auto text = Ledger::open(directory / "text.db");
    REQUIRE_FALSE(text);
    CHECK_FALSE(text.error().held_by_another);
    CHECK_THAT(text.error().text, Catch::Contains("text.db") && Catch::Contains("damaged"));
    CHECK(std::filesystem::file_size(directory / "text.db") == 5000);
}

TEST_CASE("a process killed within a transaction leaves the data committed before, and no lock") {
    const TempDirectory directory;
    const auto file = directory / "ledger.db";
    const ::pid_t child = ::fork();
    REQUIRE(child >= 0);
    if (child == 0) {
        auto ledger = Ledger::open(file);
        if (!ledger || !(*ledger)->begin() || !(*ledger)->set_fact("batch", "1") || !(*ledger)->commit() ||
            !(*ledger)->begin() || !(*ledger)->set_fact("batch", "2")) {
            ::_exit(1);
        }
        // More than the page cache holds, so that a part of the transaction is in the file already.
        for (int i = 0; i < 100'000; ++i) {
            if (!(*ledger)->add_entry(1, measured(i * 1s, (i + 1) * 1s, 1, 1))) ::_exit(1);
        }
        ::kill(::getpid(), SIGKILL);
    }
    int status = 0;
    REQUIRE(::waitpid(child, &status, 0) == child);
    REQUIRE(WIFSIGNALED(status));
    for (int times = 0; times < 2; ++times) {  // Recovering twice equals recovering once.
        auto ledger = opened(file);
        CHECK(value_of(ledger->fact("batch")) == "1");
        CHECK(value_of(ledger->entries(1, {start, start + 48h})).empty());
    }
    CHECK(quick_check(file).soundness == Soundness::sound);
}
