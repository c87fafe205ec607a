// Full disks and failing disks: a batch that fails leaves nothing behind and can be booked again.
#include <catch2/catch.hpp>

#include "store/failing_vfs.hpp"
#include "store/ledger.hpp"
#include "support/temp_directory.hpp"

using namespace tickledger;
using tickledger::test::TempDirectory;
using namespace std::chrono_literals;

namespace {

const Instant start = parse_rfc3339("2026-03-01T00:00:00Z").value();

/// Resets the VFS, whatever a test does.
struct Healthy {
    Healthy() { FailingVfs::instance() = {}; }
    ~Healthy() { FailingVfs::instance() = {}; }
};

/// A batch that needs many pages, so it can fail at its beginning, in the middle and at its end.
Result<void> book(Ledger& ledger) {
    if (auto begun = ledger.begin(); !begun) return begun;
    for (int i = 0; i < 2000; ++i) {
        Entry entry;
        entry.span = {start + i * 1s, start + (i + 1) * 1s};
        entry.ticks = 1;
        if (auto added = ledger.add_entry(1, entry); !added) return added;
        if (auto put = ledger.put_row({1, Step::interval, entry.span.from}, {1, 1s, 0, 0}); !put) return put;
    }
    if (auto queued = ledger.queue({0, "meters/house/now", std::string(2000, 'x'), true}); !queued)
        return queued;
    if (auto set = ledger.set_log_position({"2026-03-01.jsonl", 1}); !set) return set;
    return ledger.commit();
}

std::size_t entries_in(Ledger& ledger) {
    return ledger.entries(1, {start, start + 2000s}).value().size();
}

void fails_and_heals_at_every_operation(int code, const std::string& words) {
    const Healthy healthy;
    auto& vfs = FailingVfs::instance();
    const TempDirectory directory;
    {
        auto ledger = Ledger::open(directory / "counted.db", FailingVfs::name);
        REQUIRE(ledger);
        vfs.operations = 0;
        REQUIRE(book(**ledger));
    }
    const int operations = vfs.operations;
    REQUIRE(operations > 20);

    const auto file = directory / "ledger.db";
    for (int good = 0; good < operations; good += good < 10 ? 1 : 1 + operations / 40) {
        CAPTURE(good);
        for (const char* end : {"", "-wal"})
            std::filesystem::remove(file.string() + end);
        auto ledger = Ledger::open(file, FailingVfs::name);
        REQUIRE(ledger);
        vfs = {good, code, 0, 0};
        const auto booked = book(**ledger);
        if (!booked) {
            CHECK_THAT(booked.error().text, Catch::Contains("ledger.db") && Catch::Contains(words));
            // While the disk stays like this, another try fails too, and nothing is written in part.
            CHECK_FALSE((*ledger)->set_fact("alone", "1"));
            (*ledger)->roll_back();
            CHECK(entries_in(**ledger) == 0);
            CHECK((*ledger)->log_position().value() == LogPosition{});
            vfs = {};
            const auto again = book(**ledger);
            INFO((again ? std::string() : again.error().text));
            REQUIRE(again);
        }
        vfs = {};
        CHECK(entries_in(**ledger) == 2000);
        ledger->reset();
        auto reopened = Ledger::open(file, FailingVfs::name);
        REQUIRE(reopened);
        CHECK(entries_in(**reopened) == 2000);
        CHECK((*reopened)->fact("alone").value() == std::nullopt);
        CHECK((*reopened)->outbox(0, 9).value().size() == 1);
        CHECK((*reopened)->log_position().value() == LogPosition{"2026-03-01.jsonl", 1});
    }
}

}  // namespace

TEST_CASE("a full disk fails a batch with a clear error at any write, and the batch can be booked again") {
    fails_and_heals_at_every_operation(SQLITE_FULL, "the disk is full");
}

TEST_CASE("a failing disk fails a batch with a clear error at any write, and the batch can be booked again") {
    fails_and_heals_at_every_operation(SQLITE_IOERR_WRITE, "the disk reports an error");
}

TEST_CASE("writing a thousand rows of many meters in order of time costs little more than their own bytes") {
    const Healthy healthy;
    auto& vfs = FailingVfs::instance();
    const TempDirectory directory;
    auto ledger = std::move(Ledger::open(directory / "ledger.db", FailingVfs::name).value());
    constexpr int batches = 30;
    constexpr int rows = 1000;
    constexpr int meters = 500;
    for (int batch = 0; batch < batches; ++batch) {
        // The first batch writes each meter's mark of the day.
        if (batch == 1) vfs.bytes = 0;
        REQUIRE(ledger->begin());
        for (int i = batch * rows; i < (batch + 1) * rows; ++i) {
            Entry entry;
            entry.span.to = start + i * 360ms;
            entry.span.from = entry.span.to - 180s;
            entry.ticks = i % 3;
            entry.begin_count = 1'000'000;
            entry.end = {1'000'000 + static_cast<std::uint64_t>(i % 3), 0xfeed'feed'feed'feed,
                         static_cast<std::uint64_t>(i / meters)};
            REQUIRE(ledger->add_entry(i % meters, entry));
        }
        REQUIRE(ledger->set_log_position({"2026-03-01.jsonl", static_cast<std::uint64_t>(batch)}));
        REQUIRE(ledger->commit());
    }
    ledger.reset();  // The last checkpoint counts too.
    const double bytes_a_row = static_cast<double>(vfs.bytes) / (rows * (batches - 1));
    WARN("bytes written per row, WAL and file together: " << bytes_a_row);
    // In order of meter instead of time it would be a page per row or more.
    CHECK(bytes_a_row < 150);
}
