// Automatic backups, and a ledger that the disk has damaged.
#include <fmt/format.h>
#include <sqlite3.h>

#include <catch2/catch.hpp>
#include <fstream>

#include "support/mosquitto_process.hpp"
#include "system/site.hpp"

using namespace tickledger::test;
using nlohmann::json;
namespace fs = std::filesystem;

namespace {

const auto test_began_at = std::chrono::system_clock::now();

void wait_for_backups(const Site& site, int count) {
    REQUIRE(wait_until([&] { return site.get("/v1/health").at("store").at("backups") == count; }));
}

/// Returns once the messages are booked. After a restart, that is when the broker's queue is empty.
void say(const MosquittoProcess& broker, const Site& site, int first, int last) {
    const auto begin_s = std::chrono::duration_cast<std::chrono::seconds>(test_began_at.time_since_epoch() -
                                                                          std::chrono::minutes{30})
                             .count();
    std::vector<std::string> lines;
    for (int i = first; i <= last; ++i)
        lines.push_back(fmt::format(R"({{"count":{0},"boot":1,"seq":{0},"time":{1}}})", i, begin_s + 10 * i));
    broker.publish_lines("nodes/house", lines);
    REQUIRE(wait_until([&] { return site.get("/v1/health").at("messages").at("booked") == last; }));
}

/// The answers that must be the same after a rescue, whatever the time.
json account(const Site& site) {
    json answers;
    for (const char* what : {"usage?step=year", "ledger"}) {
        const std::string separator = std::string(what).find('?') == std::string::npos ? "?" : "&";
        answers[what] =
            site.get("/v1/meters/house/" + std::string(what) + separator + "from=2020-01-01&to=2100-01-01");
    }
    return answers;
}

/// Spoils the middle of every page but the first.
void flip_bits(const fs::path& file) {
    std::fstream raw(file, std::ios::in | std::ios::out | std::ios::binary);
    const auto size = fs::file_size(file);
    for (std::uintmax_t at = 1024; at + 512 < size; at += 1024) {
        raw.seekp(static_cast<std::streamoff>(at));
        raw << std::string(16, '\xa5');
    }
}

}  // namespace

TEST_CASE("a ledger found damaged at the start is rebuilt to the tick from the backup and the message log") {
    MosquittoProcess broker;
    // A backup is made at each start. The first is empty, the second holds the messages until then.
    Site site({.broker_url = broker.url(), .meters = one_meter, .store = "backup_every = \"1us\""});
    site.start();
    REQUIRE(site.becomes_subscribed());
    wait_for_backups(site, 1);
    say(broker, site, 1, 50);
    CHECK(site.stop() == 0);
    // The name of a backup has its time to the second.
    REQUIRE(wait_until([&] {
        return fs::last_write_time(site.store() / "ledger.db") + std::chrono::seconds{2} <
               fs::file_time_type::clock::now();
    }));
    site.start();
    wait_for_backups(site, 2);
    REQUIRE(site.becomes_subscribed());
    say(broker, site, 51, 90);
    const json before = account(site);
    CHECK(before.at("usage?step=year").at("rows").size() > 0);

    SECTION("after an orderly stop") {
        CHECK(site.stop() == 0);
        flip_bits(site.store() / "ledger.db");
    }
    SECTION("after a kill, with its write-ahead log beside it") {
        site.kill();
        flip_bits(site.store() / "ledger.db");
    }
    SECTION("truncated") {
        CHECK(site.stop() == 0);
        fs::resize_file(site.store() / "ledger.db", 3000);
    }
    SECTION("removed") {
        CHECK(site.stop() == 0);
        fs::remove(site.store() / "ledger.db");
    }
    SECTION("with the newest backup damaged, too") {
        CHECK(site.stop() == 0);
        flip_bits(site.store() / "ledger.db");
        fs::path newest;
        for (const auto& backup : fs::directory_iterator(site.store() / "backups"))
            newest = std::max(newest, backup.path());
        flip_bits(newest);
    }
    site.start();
    CHECK(json::diff(before, account(site)) == json::array());
    INFO(site.journal());
    CHECK(site.journal().find("restored from the backup of") != std::string::npos);
    REQUIRE(site.becomes_subscribed());
    say(broker, site, 91, 92);
    CHECK(site.stop() == 0);
}

TEST_CASE("health reports a rescue until the damaged file is removed") {
    Site site({.meters = one_meter});
    site.start();
    wait_for_backups(site, 1);
    CHECK(site.stop() == 0);
    flip_bits(site.store() / "ledger.db");
    site.start();
    const auto told = [&] {
        return site.text("/v1/health").find("restored from the backup") != std::string::npos;
    };
    CHECK(told());
    for (const auto& file : fs::directory_iterator(site.store())) {
        if (file.path().filename().string().starts_with("ledger.damaged-")) fs::remove(file.path());
    }
    CHECK_FALSE(told());
    CHECK(site.stop() == 0);
}

TEST_CASE("a damaged ledger without a backup prevents the start, and the journal gives a remedy: 74") {
    Site site({.meters = one_meter, .store = "keep_backups = 0"});
    site.start();
    CHECK(site.get("/v1/health").at("store").at("last_backup_at").is_null());
    CHECK(site.stop() == 0);
    flip_bits(site.store() / "ledger.db");
    const std::string damaged = read_file(site.store() / "ledger.db");
    site.launch();
    CHECK(site.daemon().wait() == 74);
    CHECK(site.journal().find("no sound backup") != std::string::npos);
    CHECK(read_file(site.store() / "ledger.db") == damaged);
}

TEST_CASE("a ledger damaged while in use ends the daemon, and the next start rebuilds it") {
    MosquittoProcess broker;
    Site site({.broker_url = broker.url(), .meters = one_meter});
    site.start();
    wait_for_backups(site, 1);
    REQUIRE(site.becomes_subscribed());
    say(broker, site, 1, 30);
    {
        // Another program checkpoints the write-ahead log into the file, as the daemon does in time.
        sqlite3* handle = nullptr;
        REQUIRE(sqlite3_open((site.store() / "ledger.db").c_str(), &handle) == SQLITE_OK);
        REQUIRE(sqlite3_exec(handle, "PRAGMA wal_checkpoint(TRUNCATE)", nullptr, nullptr, nullptr) ==
                SQLITE_OK);
        sqlite3_close(handle);
    }
    // The daemon's cache holds what it needs, so only a check of the file finds the damage. The daemon checks
    // the file when booking fails, and a truncated file makes booking fail.
    fs::resize_file(site.store() / "ledger.db", 2048);
    broker.publish("nodes/house", R"({"count":31,"boot":1,"seq":31})");
    CHECK(site.daemon().wait() == 74);
    INFO(site.journal());
    site.start();
    CHECK(site.journal().find("restored from the backup of") != std::string::npos);
    CHECK(wait_until([&] {
        return ticks_of(site.get("/v1/meters/house/usage?step=year&from=2020-01-01&to=2100-01-01")) == 30;
    }));
    CHECK(site.stop() == 0);
}
