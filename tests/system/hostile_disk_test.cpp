// Files under a running daemon are removed, moved, truncated, replaced by links, or read by others.
#include <fmt/format.h>
#include <sys/stat.h>

#include <catch2/catch.hpp>
#include <fstream>

#include "support/mosquitto_process.hpp"
#include "system/site.hpp"

using namespace tickledger::test;
using nlohmann::json;
namespace fs = std::filesystem;

namespace {

/// A daemon that receives pulses, one in each message.
struct Garden {
    Garden() : site({.broker_url = broker.url(), .meters = pulses_of_a_garden}) {
        site.start();
        REQUIRE(site.becomes_subscribed());
    }
    void send(int messages) {
        std::vector<std::string> payloads;
        for (int i = 0; i < messages; ++i)
            payloads.push_back(fmt::format(R"({{"pulses":1,"boot":1,"seq":{}}})", ++seq));
        broker.publish_lines("nodes/garden/water", payloads);
    }
    /// The litres that the register shows; -1 while the daemon does not answer.
    [[nodiscard]] long register_l() const {
        try {
            const json shown = site.get("/v1/meters").at("meters").at(0).at("register_m3");
            return shown.is_null() ? 0 : std::lround(shown.get<double>() * 1000);
        } catch (const std::exception&) {
            return -1;
        }
    }
    [[nodiscard]] bool shows(long litres) const {
        return wait_until([&] { return register_l() == litres; });
    }
    [[nodiscard]] fs::path messages() const { return site.store() / "messages"; }
    [[nodiscard]] fs::path log() const {
        for (const auto& entry : fs::directory_iterator(messages()))
            if (entry.path().extension() == ".jsonl") return entry.path();
        return {};
    }
    /// What a replay of the message log on the disk books.
    [[nodiscard]] long replayed_l() const {
        const auto into = site.directory() / "replayed.db";
        const auto done = site.replay({"--into", into.string(), messages().string()});
        const auto at = done.out.find("booked from ");
        return at == std::string::npos ? -1 : std::stol(done.out.substr(at + 12));
    }

    MosquittoProcess broker;
    Site site;
    int seq = 0;
};

}  // namespace

TEST_CASE("a message log removed under the daemon is recreated in full before the next message is accepted") {
    Garden garden;
    garden.send(50);
    REQUIRE(garden.shows(50));
    SECTION("its file") {
        fs::remove(garden.log());
    }
    SECTION("its directory") {
        fs::remove_all(garden.messages());
    }
    SECTION("its file, renamed") {
        fs::rename(garden.log(), garden.site.directory() / "elsewhere");
    }
    SECTION("its directory, renamed") {
        fs::rename(garden.messages(), garden.site.directory() / "elsewhere");
    }
    garden.send(50);
    REQUIRE(garden.shows(100));
    CHECK(garden.replayed_l() == 100);
    CHECK(wait_until([&] {
        const std::string journal = garden.site.journal();
        return journal.find("message log") != std::string::npos &&
               journal.find("recreated") != std::string::npos;
    }));
    garden.site.kill();
    garden.site.start();
    CHECK(garden.shows(100));
}

TEST_CASE("a message log emptied under the daemon loses what it held, and nothing after that") {
    Garden garden;
    garden.send(50);
    REQUIRE(garden.shows(50));
    fs::resize_file(garden.log(), 0);
    garden.send(50);
    CHECK(garden.shows(100));
    CHECK_THAT(garden.site.journal(), Catch::Contains("message log"));
    garden.site.kill();
    garden.site.start();
    CHECK(garden.shows(100));
}

TEST_CASE("a ledger removed under the daemon was lost at the next stop") {
    const bool is_idle = GENERATE(false, true);
    Garden garden;
    garden.send(50);
    REQUIRE(garden.shows(50));
    const fs::path ledger = garden.site.store() / "ledger.db";
    SECTION("the file") {
        fs::remove(ledger);
    }
    SECTION("the file, replaced") {
        fs::rename(garden.site.directory().write("precious", "something of a person's"), ledger);
    }
    SECTION("the write-ahead log") {
        fs::remove(ledger.string() + "-wal");
    }
    SECTION("the whole store") {
        fs::remove_all(garden.site.store());
    }
    SECTION("the whole store, renamed") {
        fs::rename(garden.site.store(), garden.site.directory() / "elsewhere");
    }
    const auto is_told = [&] {
        const std::string health = garden.site.text("/v1/health");
        return health.find("recreated") != std::string::npos &&
               health.find(ledger.string()) != std::string::npos;
    };
    if (is_idle) {
        REQUIRE(wait_until(is_told));
        CHECK(garden.shows(50));
    } else {
        garden.send(50);
        REQUIRE(garden.shows(100));
        CHECK(is_told());
    }
    CHECK_THAT(garden.site.journal(), Catch::Contains(ledger.string() + " was removed"));
    garden.site.kill();
    garden.site.start();
    CHECK(garden.shows(is_idle ? 50 : 100));
    if (fs::exists(ledger.string() + ".put-aside"))
        CHECK(read_file(ledger.string() + ".put-aside") == "something of a person's");
}

TEST_CASE("a symbolic link in place of a day's log is not followed, and its target is left unchanged") {
    Garden garden;
    garden.send(10);
    REQUIRE(garden.shows(10));
    const auto log = garden.log();
    garden.site.stop();
    const auto precious = garden.site.directory().write("precious", "a line without an end");
    fs::rename(log, garden.site.directory() / "kept.jsonl");
    fs::create_symlink(precious, log);
    garden.site.launch();
    const auto status = garden.site.daemon().wait(std::chrono::seconds{10});
    CHECK(status == 74);
    CHECK_THAT(garden.site.journal(), Catch::Contains(log.string()) && Catch::Contains("link"));
    CHECK(fs::file_size(precious) == 21);
}

TEST_CASE("only the daemon's user can read what it writes, whatever the umask") {
    const mode_t before = ::umask(022);
    Garden garden;
    ::umask(before);
    garden.send(10);
    REQUIRE(garden.shows(10));
    REQUIRE(wait_until([&] {
        std::error_code none;
        return fs::exists(garden.site.store() / "backups", none) &&
               !fs::is_empty(garden.site.store() / "backups", none);
    }));
    int looked_at = 0;
    for (const auto& entry : fs::recursive_directory_iterator(garden.site.store())) {
        struct stat status {};
        if (::lstat(entry.path().c_str(), &status) != 0) continue;
        INFO(entry.path() << fmt::format(" {:04o}", status.st_mode & 07777U));
        CHECK((status.st_mode & 077U) == 0);
        ++looked_at;
    }
    CHECK(looked_at >= 5);
    struct stat status {};
    REQUIRE(::lstat(garden.site.store().c_str(), &status) == 0);
    CHECK((status.st_mode & 077U) == 0);
}
