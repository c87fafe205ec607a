// A server started with its clock days ahead: redate restores the true dates of its store.
#include <fmt/format.h>
#include <sqlite3.h>
#include <sys/stat.h>
#include <unistd.h>

#include <catch2/catch.hpp>
#include <cstdlib>
#include <filesystem>
#include <fstream>

#include "support/mosquitto_process.hpp"
#include "system/site.hpp"

using namespace tickledger::test;
using nlohmann::json;
namespace fs = std::filesystem;

namespace {

constexpr std::chrono::hours two_days{48};
constexpr const char* counter = R"(
[[meter]]
id = "house"
topic = "nodes/house"
q3 = "100 m3/h"
cadence = "1s"
)";

/// A daemon and its broker. The server's clock is right for two messages, two days ahead for two, and right
/// again for one.
struct AheadSite {
    AheadSite() { site.clock_is_ahead(std::chrono::seconds{0}); }

    void say(int count, int seq, int booked) {
        broker.publish("nodes/house", fmt::format(R"({{"count":{},"boot":1,"seq":{}}})", count, seq));
        REQUIRE(wait_until([&] { return site.get("/v1/health").at("messages").at("booked") == booked; }));
    }
    void start() {
        site.start();
        REQUIRE(site.becomes_subscribed());
    }
    void run_ahead() {
        site.clock_is_ahead(two_days);
        start();
        say(130, 3, 3);
        say(140, 4, 4);
        site.clock_is_ahead(std::chrono::seconds{0});
        // The daemon reads the line that shows it without another message. No request has to wait for one.
        CHECK(wait_until([&] { return site.get("/v1/clock").at("stamps_ahead_s") > 47 * 3600; }));
        // The first message after two days may have waited at the node. Half a cadence later it is booked.
        CHECK(wait_until([&] { return ticks_between("today-1d", "today%2B9d") == 40; }));
        say(150, 5, 5);
        CHECK(site.get("/v1/clock").at("stamps_ahead_s") > 47 * 3600);
        REQUIRE(site.stop() == 0);
    }
    [[nodiscard]] Outcome redate(std::vector<std::string> options) const {
        options.insert(options.begin(),
                       {program("tickledgerd"), "redate", "--config", site.config().string()});
        return run_to_end(options);
    }
    /// Ticks of the days from one point to another, written as in a URL.
    [[nodiscard]] std::int64_t ticks_between(const std::string& from, const std::string& to) const {
        return ticks_of(site.get("/v1/meters/house/usage?step=day&from=" + from + "&to=" + to));
    }
    void check_true_dates() {
        start();
        CHECK(wait_until([&] { return ticks_between("today-1d", "today%2B1d") == 50; }));
        CHECK(ticks_between("today%2B1d", "today%2B9d") == 0);
        const json ledger = site.get(std::string("/v1/meters/house/ledger?") + all_days);
        std::int64_t ticks = 0;
        for (const json& entry : ledger.at("entries"))
            ticks += entry.at("ticks").get<std::int64_t>();
        CHECK(ticks == 50);
        CHECK(ledger.at("refused") == json::array());
        CHECK(site.get("/v1/alarms").at("alarms") == json::array());
        CHECK(site.get("/v1/clock").at("stamps_ahead_s") == 0);
        say(160, 6, 6);
        CHECK(site.stop() == 0);
    }

    MosquittoProcess broker;
    Site site{{.broker_url = broker.url(), .meters = counter, .has_jumping_clock = true}};
};

/// Whether the ledger has met its deadlines beyond this time after now.
bool has_settled_beyond(const fs::path& ledger, std::chrono::microseconds after_now) {
    sqlite3* database = nullptr;
    std::int64_t settled_us = 0;
    if (sqlite3_open_v2(ledger.c_str(), &database, SQLITE_OPEN_READONLY, nullptr) == SQLITE_OK) {
        const auto keep = [](void* kept, int, char** values, char**) {
            *static_cast<std::int64_t*>(kept) = std::atoll(values[0]);
            return 0;
        };
        sqlite3_exec(database, "SELECT value FROM fact WHERE name = 'settled_until'", keep, &settled_us,
                     nullptr);
    }
    sqlite3_close(database);
    const auto now = std::chrono::system_clock::now().time_since_epoch();
    return std::chrono::microseconds{settled_us} > now + after_now;
}

}  // namespace

TEST_CASE("redate restores the dates of a server that started two days ahead, from the message log alone") {
    AheadSite ahead;
    ahead.start();
    ahead.say(100, 1, 1);
    ahead.say(110, 2, 2);
    REQUIRE(ahead.site.stop() == 0);
    ahead.run_ahead();

    const Outcome told = ahead.redate({});
    INFO(told.out << told.error);
    CHECK(told.status == 0);
    CHECK(told.out.starts_with("Stamps were ahead by "));
    CHECK(told.out.find("Nothing was changed") != std::string::npos);
    const Outcome done = ahead.redate({"--write"});
    INFO(done.out << done.error);
    CHECK(done.status == 0);
    ahead.check_true_dates();
    const Outcome again = ahead.redate({"--write"});
    CHECK(again.status == 65);
    CHECK(again.error.find("nothing to correct") != std::string::npos);
}

TEST_CASE("an interrupted redate is completed by running it again, and no daemon starts until then") {
    const bool ledger_is_untouched = GENERATE(false, true);
    AheadSite ahead;
    ahead.start();
    ahead.say(100, 1, 1);
    ahead.say(110, 2, 2);
    REQUIRE(ahead.site.stop() == 0);
    const fs::path backups = ahead.site.store() / "backups";
    fs::remove_all(backups);
    fs::create_directories(backups);
    fs::copy_file(ahead.site.store() / "ledger.db", backups / "ledger-20260301T030000Z.db");
    // A ledger that has met deadlines of future days cannot be the base, although it has no message of those
    // days.
    ahead.site.clock_is_ahead(two_days);
    ahead.start();
    CHECK(wait_until(
        [&] { return has_settled_beyond(ahead.site.store() / "ledger.db", std::chrono::hours{24}); }));
    REQUIRE(ahead.site.stop() == 0);
    fs::copy_file(ahead.site.store() / "ledger.db", backups / "ledger-20260302T030000Z.db");
    ahead.run_ahead();
    for (const auto& file : fs::directory_iterator(backups)) {
        const std::string name = file.path().filename();
        if (!name.starts_with("ledger-202603")) fs::remove(file.path());
    }
    const fs::path store = ahead.site.store();
    const Outcome done = ahead.redate({"--write"});
    INFO(done.out << done.error);
    REQUIRE(done.status == 0);
    CHECK(done.out.find("The ledger is the backup of 2026-03-01 03:00") != std::string::npos);

    // The state after a power cut, once the mark is on the disk.
    std::string ending;
    for (const auto& file : fs::directory_iterator(store)) {
        const std::string name = file.path().filename();
        if (name.starts_with("messages.")) ending = name.substr(std::string("messages").size());
    }
    REQUIRE_FALSE(ending.empty());
    fs::rename(store / "messages", store / "messages.redated");
    fs::rename(store / ("messages" + ending), store / "messages");
    fs::rename(store / "ledger.db", store / "ledger.redated.db");
    if (ledger_is_untouched) fs::rename(store / ("ledger" + ending + ".db"), store / "ledger.db");
    std::ofstream(store / "redating") << ending;

    ahead.site.launch();
    CHECK(ahead.site.daemon().wait() == 74);
    CHECK(ahead.site.journal().find("cut short") != std::string::npos);
    CHECK(ahead.redate({"--write"}).status == 0);
    ahead.check_true_dates();
}

TEST_CASE("files that root redates keep the store's owner") {
    if (::geteuid() != 0) return;
    AheadSite ahead;
    ahead.start();
    ahead.say(100, 1, 1);
    ahead.say(110, 2, 2);
    REQUIRE(ahead.site.stop() == 0);
    ahead.run_ahead();
    constexpr uid_t nobody = 65534;
    const fs::path store = ahead.site.store();
    fs::permissions(store.parent_path(),
                    fs::perms::owner_all | fs::perms::others_exec | fs::perms::group_exec);
    REQUIRE(::chown(store.c_str(), nobody, nobody) == 0);
    for (const auto& file : fs::recursive_directory_iterator(store))
        REQUIRE(::chown(file.path().c_str(), nobody, nobody) == 0);
    const Outcome done = ahead.redate({"--write"});
    INFO(done.out << done.error);
    CHECK(done.status == 0);
    for (const auto& file : fs::recursive_directory_iterator(store)) {
        struct stat state {};
        INFO(file.path().string());
        CHECK((::stat(file.path().c_str(), &state) == 0 && state.st_uid == nobody));
    }
    ahead.check_true_dates();
}

TEST_CASE("a store is not redated while a daemon uses it") {
    AheadSite ahead;
    ahead.start();
    const Outcome told = ahead.redate({"--write"});
    CHECK(told.status == 75);
    CHECK(ahead.site.stop() == 0);
}
