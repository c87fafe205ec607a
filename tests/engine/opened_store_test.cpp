// A store at the start of the daemon: which of its dates are believed.
#include "engine/opened_store.hpp"

#include <fcntl.h>
#include <sys/stat.h>

#include <catch2/catch.hpp>
#include <fstream>

#include "support/temp_directory.hpp"

using namespace tickledger;
using namespace tickledger::test;
using std::chrono::hours;

namespace {

namespace fs = std::filesystem;

const Instant release = std::chrono::sys_days{std::chrono::year{2025} / 1 / 1};
const Instant noon = parse_rfc3339("2026-03-01T12:00:00Z").value();

std::string line(const std::string& stamp, int count) {
    return R"({"tst":")" + stamp + R"(","topic":"nodes/house","qos":1,"retain":0,"payload":"{\"count\":)" +
           std::to_string(count) + "}\"}\n";
}

struct Found {
    Found() { fs::create_directories(messages); }

    /// A file of the message log that was last written at noon.
    void write(const std::string& name, const std::string& text) const {
        std::ofstream(messages / name, std::ios::app) << text;
        const timespec at{std::chrono::duration_cast<std::chrono::seconds>(noon.time_since_epoch()).count(),
                          0};
        const timespec times[] = {at, at};
        REQUIRE(::utimensat(AT_FDCWD, (messages / name).c_str(), times, 0) == 0);
    }
    [[nodiscard]] OpenedStore open() const {
        auto opened = open_store(*files, directory.path(), meters, 1, zone, release);
        INFO((opened ? std::string() : opened.error().text));
        REQUIRE(opened.has_value());
        return std::move(*opened);
    }

    TempDirectory directory;
    fs::path messages = directory.path() / messages_name;
    std::unique_ptr<Files> files = machine_files();
    std::vector<MeterSettings> meters;
    CivilZone zone = CivilZone::find("UTC").value();
};

}  // namespace

TEST_CASE("a file of the year 2999 set the clock for all stamps") {
    const Found found;
    found.write("2026-03-01.jsonl", line("2026-03-01T11:00:00.000000Z", 1));
    found.write("2999-01-01.jsonl", line("2999-01-01T00:00:00.000000Z", 2));
    found.write("2999-01-02.jsonl", "");
    const OpenedStore store = found.open();
    CHECK(store.pending_messages == 1);
    CHECK(store.log->last_stamp() < noon + hours{24});
    REQUIRE(store.put_aside.size() == 2);
    for (const std::string& file : store.put_aside)
        CHECK(fs::exists(file));
    CHECK_FALSE(fs::exists(found.messages / "2999-01-01.jsonl"));
    CHECK(store.clock_floor + store.clock_reach < noon + hours{24 * 8});
}

TEST_CASE("a file of an impossible day that was put aside was lost when another one came") {
    const Found found;
    for (int count = 1; count <= 2; ++count) {
        found.write("2999-01-01.jsonl", line("2999-01-01T00:00:00.000000Z", count));
        const OpenedStore store = found.open();
        REQUIRE(store.put_aside.size() == 1);
        CHECK(fs::exists(store.put_aside[0]));
    }
    CHECK(fs::exists(found.messages / "2999-01-01.jsonl.put-aside"));
    CHECK(fs::exists(found.messages / "2999-01-01.jsonl.put-aside-2"));
}

TEST_CASE("a file ahead of the time stays in its place if it was booked or is ahead by less than a year") {
    const Found found;
    found.write("2026-03-01.jsonl", line("2026-03-01T11:00:00.000000Z", 1));
    SECTION("booked") {
        found.write("2999-01-01.jsonl", line("2999-01-01T00:00:00.000000Z", 2));
        {
            auto ledger = Ledger::open(found.directory.path() / ledger_name).value();
            REQUIRE(ledger->begin());
            REQUIRE(ledger->set_log_position({"2999-01-01.jsonl", 10}));
            REQUIRE(ledger->commit());
        }
    }
    SECTION("ahead by half a year: a clock that was believed") {
        found.write("2026-09-01.jsonl", line("2026-09-01T00:00:00.000000Z", 2));
    }
    CHECK(found.open().put_aside.empty());
}

TEST_CASE("a line stamped 2999 in the file of a correct day is skipped and counted as damaged") {
    const Found found;
    found.write("2026-03-01.jsonl", line("2026-03-01T11:00:00.000000Z", 1) +
                                        line("2999-01-01T00:00:00.000000Z", 2) + "rubbish\n" +
                                        line("2026-03-01T11:01:00.000000Z", 3));
    const OpenedStore store = found.open();
    CHECK(store.pending_messages == 2);
    CHECK(store.damaged_lines == 2);
    CHECK(store.log->last_stamp() == noon - std::chrono::minutes{59});
}

TEST_CASE("a clock is believed up to a week after the store was last written, and for years in a new store") {
    const Found found;
    CHECK(found.open().clock_reach > hours{24 * 365 * 9});
    const Found used;
    used.write("2026-03-01.jsonl", line("2026-03-01T11:00:00.000000Z", 1));
    const OpenedStore store = used.open();
    CHECK(store.clock_floor == noon - hours{1});
    CHECK(store.clock_floor + store.clock_reach == noon + hours{24 * 7});
}
