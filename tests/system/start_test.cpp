// What prevents the daemon from starting, and what must not.
#include <fcntl.h>
#include <sys/mount.h>
#include <sys/stat.h>
#include <unistd.h>

#include <catch2/catch.hpp>
#include <fstream>

#include "support/mosquitto_process.hpp"
#include "system/site.hpp"

using namespace tickledger::test;
using nlohmann::json;

namespace {

/// Runs the daemon of a site that cannot start.
Outcome start_in_vain(const Site& site) {
    return run_to_end({program("tickledgerd"), "--config", site.config().string()});
}

bool contains(const std::string& text, const std::string& part) {
    return text.find(part) != std::string::npos;
}

}  // namespace

TEST_CASE("every mistake of a configuration is reported with file, line and column, and exit 78") {
    const TempDirectory directory;
    const auto file = directory.write("wrong.toml",
                                      "[site]\ntimezone = \"Europe/Atlantis\"\n"
                                      "[[meter]]\nid = \"House\"\ntopic = \"a/b\"\ncolour = \"blue\"\n"
                                      "cadence = \"-3min\"\npulse_value = \"1 barrel\"\n");
    const auto names_line = [&](const Outcome& outcome, int line) {
        return contains(outcome.error, file.string() + ":" + std::to_string(line) + ":");
    };
    for (const bool checks_only : {false, true}) {
        std::vector<std::string> arguments{program("tickledgerd"), "--config", file.string()};
        if (checks_only) arguments.emplace_back("--check-config");
        const Outcome outcome = run_to_end(arguments);
        INFO(outcome.error);
        CHECK(outcome.status == 78);
        for (const int line : {2, 4, 6, 7, 8})
            CHECK(names_line(outcome, line));
        CHECK(outcome.out.empty());
    }
    const Outcome missing =
        run_to_end({program("tickledgerd"), "--config", (directory / "none.toml").string()});
    CHECK(missing.status == 78);
    CHECK(contains(missing.error, "none.toml"));
}

TEST_CASE("a daemon without a meter runs, and says what it lacks") {
    Site site({.meters = ""});
    site.start();
    const json health = site.get("/v1/health");
    CHECK(health.at("state") == "degraded");
    CHECK(contains(health.at("troubles").at(0), "No meter is configured"));
    CHECK(contains(site.journal(), site.config().string() + ": no meter is configured"));
    CHECK(site.get("/v1/meters").at("meters").empty());
    CHECK(site.client({"usage"}).status == 0);
    CHECK(site.stop() == 0);
}

TEST_CASE("the resolved configuration is itself a configuration") {
    const Site site({.meters = one_meter});
    const Outcome shown =
        run_to_end({program("tickledgerd"), "--config", site.config().string(), "--check-config"});
    REQUIRE(shown.status == 0);
    const TempDirectory directory;
    const auto again = directory.write("again.toml", shown.out);
    const Outcome shown_again =
        run_to_end({program("tickledgerd"), "--config", again.string(), "--check-config"});
    CHECK(shown_again.status == 0);
    CHECK(shown_again.out == shown.out);
}

TEST_CASE("a store that is a file is unusable: 74") {
    const TempDirectory directory;
    const auto file = directory.write("store", "not a directory");
    const Site site({.meters = one_meter, .store_directory = file});
    const Outcome outcome = start_in_vain(site);
    INFO(outcome.error);
    CHECK(outcome.status == 74);
    CHECK(contains(outcome.error, file.string()));
    CHECK(read_file(file) == "not a directory");
}

TEST_CASE("a store that cannot be written is unusable: 74") {
    const TempDirectory directory;
    // A read-only mount stops root, too. File modes do not.
    if (::mount("tmpfs", directory.path().c_str(), "tmpfs", MS_RDONLY, "size=1m") != 0) {
        WARN("skipped: this user may not mount a tmpfs");
        return;
    }
    {
        const Site site({.meters = one_meter, .store_directory = directory / "store"});
        const Outcome outcome = start_in_vain(site);
        INFO(outcome.error);
        CHECK(outcome.status == 74);
        CHECK(contains(outcome.error, (directory / "store").string()));
    }
    CHECK(::umount(directory.path().c_str()) == 0);
}

TEST_CASE("a file that is not a ledger is left alone: 74") {
    const Site site({.meters = one_meter});
    std::filesystem::create_directories(site.store());
    std::ofstream(site.store() / "ledger.db") << "these are somebody's notes, and no ledger";
    const Outcome outcome = start_in_vain(site);
    INFO(outcome.error);
    CHECK(outcome.status == 74);
    CHECK(contains(outcome.error, "ledger.db"));
    CHECK(read_file(site.store() / "ledger.db") == "these are somebody's notes, and no ledger");
}

TEST_CASE("a ledger has one writer at a time: 75") {
    Site site({.meters = one_meter});
    site.start();
    const Site second({.meters = one_meter, .store_directory = site.store()});
    const Outcome outcome = start_in_vain(second);
    INFO(outcome.error);
    CHECK(outcome.status == 75);
    CHECK(contains(outcome.error, std::to_string(site.daemon().pid())));
    const auto recording = site.directory().write("recording.jsonl", "");
    CHECK(site.replay({recording.string()}).status == 75);
    CHECK(site.answers());
    CHECK(site.stop() == 0);
    CHECK(site.replay({recording.string()}).status == 0);
}

TEST_CASE("a socket that cannot be created: 73") {
    Site site({.meters = one_meter});
    SECTION("another kind of file is in its place") {
        static_cast<void>(site.directory().write("api.sock", "not a socket"));
        const Outcome outcome = start_in_vain(site);
        INFO(outcome.error);
        CHECK(outcome.status == 73);
        CHECK(contains(outcome.error, site.socket().string()));
        CHECK(read_file(site.socket()) == "not a socket");
    }
    SECTION("another daemon answers there") {
        site.start();
        const auto store = site.directory() / "second-store";
        const std::string text = read_file(site.config());
        const auto at = text.find(site.store().string());
        const auto config =
            site.directory().write("second.toml", text.substr(0, at) + store.string() +
                                                      text.substr(at + site.store().string().size()));
        const Outcome outcome = run_to_end({program("tickledgerd"), "--config", config.string()});
        INFO(outcome.error);
        CHECK(outcome.status == 73);
        CHECK(site.answers());
    }
    SECTION("a socket left by a killed daemon is replaced") {
        site.start();
        site.kill();
        CHECK(std::filesystem::exists(site.socket()));
        site.start();
        CHECK(site.stop() == 0);
        CHECK_FALSE(std::filesystem::exists(site.socket()));
    }
}

TEST_CASE("listen refuses a topic filter that no broker accepts, and says how to write it: 64") {
    const Outcome listened = run_to_end({program("tickledgerd"), "listen", "--topic", "a/#/b"});
    CHECK(listened.status == 64);
    CHECK_THAT(listened.error,
               Catch::Contains("--topic: \"a/#/b\" is not a valid topic filter. Let # stand alone"));
}

TEST_CASE("the daemon answers while the broker is away, and connects when it appears") {
    MosquittoProcess broker;
    broker.stop();
    Site site({.broker_url = broker.url(), .meters = one_meter});
    site.start();
    const json away = site.get("/v1/health");
    CHECK(away.at("state") == "degraded");
    CHECK(away.at("broker").at("connected") == false);
    CHECK(wait_until([&] {
        const json trouble = site.get("/v1/health").at("broker").at("trouble");
        return trouble.is_string() && contains(trouble, broker.url());
    }));
    CHECK(site.client({"health"}).status == 0);
    broker.start();
    CHECK(wait_until([&] { return site.get("/v1/health").at("broker").at("subscribed") == true; },
                     2 * patience));
    CHECK(wait_until([&] { return site.get("/v1/health").at("state") == "up"; }));
    broker.publish("nodes/house", R"({"count":7,"boot":1,"seq":1})");
    CHECK(wait_until([&] { return site.get("/v1/health").at("messages").at("booked") == 1; }));
}

TEST_CASE("the client distinguishes a daemon that is not running from one that refuses") {
    Site site({.meters = one_meter});
    CHECK(site.client({"meters"}).status == 69);
    site.start();
    CHECK(site.client({"meters"}).status == 0);
    CHECK(site.client({"usage", "nobody"}).status == 1);
    CHECK(site.client({"register", "nobody"}).status == 1);
    CHECK(site.client({"no-such-command"}).status == 2);
}

TEST_CASE("a start long after the last message removed fine detail and closed the years between") {
    Site site({.meters = one_meter});
    const auto messages = site.store() / "messages";
    std::filesystem::create_directories(messages);
    std::ofstream(messages / "2025-03-01.jsonl")
        << R"({"tst":"2025-03-01T11:00:00.000000Z","topic":"nodes/house","qos":1,"retain":0,"payload":"{\"count\":5}"})"
        << "\n";
    const timespec then{1'740'826'800, 0};  // 2025-03-01T11:00:00Z
    const timespec times[] = {then, then};
    REQUIRE(::utimensat(AT_FDCWD, (messages / "2025-03-01.jsonl").c_str(), times, 0) == 0);
    site.start();
    if (!site.get("/v1/clock").at("time").is_null()) {
        WARN("skipped: a time service sets this machine's clock, so the daemon believes it");
        return;
    }
    CHECK(contains(site.text("/v1/health"), "tickledger clock --right"));
    CHECK(contains(site.client({"clock"}).out, "not known"));
    const Outcome refused = site.client({"register", "house", "--set", "1.000"});
    CHECK(refused.status != 0);
    CHECK(contains(refused.error, "tickledger clock --right"));
    const Outcome told = site.client({"clock", "--right"});
    CHECK(told.status == 0);
    CHECK(contains(told.out, "believed"));
    CHECK_FALSE(site.get("/v1/clock").at("time").is_null());
    CHECK(site.client({"register", "house", "--set", "1.000", "--yes"}).status == 0);
    CHECK(contains(site.journal(), "A person confirmed that the server's clock is right."));
    // The statement is in the log, and still holds after a restart.
    site.kill();
    site.start();
    CHECK_FALSE(site.get("/v1/clock").at("time").is_null());
}
