// The disk fills up: the daemon reports it, keeps running, and loses nothing once there is space again.
#include <fcntl.h>
#include <fmt/format.h>
#include <sys/mount.h>
#include <unistd.h>

#include <catch2/catch.hpp>

#include "support/mosquitto_process.hpp"
#include "system/site.hpp"

using namespace tickledger::test;
using nlohmann::json;

namespace {

/// A small disk in memory, mounted during its lifetime.
class SmallDisk {
public:
    SmallDisk() : is_mounted_(::mount("tmpfs", directory_.path().c_str(), "tmpfs", 0, "size=2m") == 0) {}
    ~SmallDisk() {
        if (is_mounted_) ::umount2(directory_.path().c_str(), MNT_DETACH);
    }
    SmallDisk(const SmallDisk&) = delete;
    SmallDisk& operator=(const SmallDisk&) = delete;

    [[nodiscard]] bool is_mounted() const { return is_mounted_; }
    [[nodiscard]] std::filesystem::path store() const { return directory_ / "store"; }

    /// Uses up every remaining byte.
    void fill() const {
        const int file = ::open((directory_ / "filler").c_str(), O_WRONLY | O_CREAT | O_APPEND, 0600);
        const std::string bytes(4096, 'x');
        for (std::size_t size = bytes.size(); size > 0; size /= 2) {
            while (::write(file, bytes.data(), size) > 0) {
            }
        }
        ::close(file);
    }
    void free() const { std::filesystem::remove(directory_ / "filler"); }

private:
    TempDirectory directory_;
    bool is_mounted_;
};

}  // namespace

TEST_CASE("a full disk stops the booking, not the daemon, and loses nothing") {
    const SmallDisk disk;
    if (!disk.is_mounted()) {
        WARN("skipped: this user may not mount a tmpfs");
        return;
    }
    MosquittoProcess broker;
    Site site({.broker_url = broker.url(), .meters = pulses_of_a_garden, .store_directory = disk.store()});
    site.start();
    const auto health = [&] { return site.get("/v1/health"); };
    const auto is_subscribed = [&] { return health().at("broker").at("subscribed") == true; };
    REQUIRE(wait_until(is_subscribed));
    const auto is_stuck = [&] {
        const json now = health();
        return now.at("broker").at("connected") == false || !now.at("store").at("error").is_null();
    };
    const auto messages = [](int from, int to) {
        std::vector<std::string> payloads;
        for (int seq = from; seq < to; ++seq)
            payloads.push_back(fmt::format(R"({{"pulses":1,"boot":1,"seq":{}}})", seq));
        return payloads;
    };
    const auto register_l = [&] {
        const json shown = site.get("/v1/meters").at("meters").at(0).at("register_m3");
        return shown.is_null() ? 0 : std::lround(shown.get<double>() * 1000);
    };
    broker.publish_lines("nodes/garden/water", messages(1, 101));
    REQUIRE(wait_until([&] { return register_l() == 100; }));

    for (const int round : {1, 2}) {
        INFO("round " << round);
        const int from = round * 1000;
        disk.fill();
        broker.publish_lines("nodes/garden/water", messages(from, from + 400));
        CHECK(wait_until([&] { return is_stuck(); }));
        const std::string troubles = health().at("troubles").dump();
        INFO(troubles << "\n" << site.journal());
        CHECK(site.daemon().is_running());
        disk.free();
        CHECK(wait_until([&] { return register_l() == 100 + 400 * round; }, 2 * patience));
        CHECK(wait_until([&] { return !is_stuck(); }));
        // So small a disk is always reported as nearly full.
        CHECK(health().at("troubles").dump().find("MiB are free") != std::string::npos);
    }
    // The numbers 101 to 999 and 1400 to 1999 were never sent. Nothing else may be missing.
    const json entries = site.get("/v1/meters/garden/ledger?from=2020-01-01&to=2100-01-01").at("entries");
    CHECK(std::count_if(entries.begin(), entries.end(),
                        [](const json& entry) { return entry.at("kind") == "lost"; }) == 2);
    INFO(site.journal());
    CHECK(site.stop() == 0);
    site.start();
    CHECK(register_l() == 900);
}

TEST_CASE("a disk that is full at the start is reported with its path: 74") {
    const SmallDisk disk;
    if (!disk.is_mounted()) {
        WARN("skipped: this user may not mount a tmpfs");
        return;
    }
    std::filesystem::create_directories(disk.store());
    disk.fill();
    const Site site({.meters = pulses_of_a_garden, .store_directory = disk.store()});
    const Outcome outcome = run_to_end({program("tickledgerd"), "--config", site.config().string()});
    INFO(outcome.error);
    CHECK(outcome.status == 74);
    CHECK(outcome.error.find(disk.store().string()) != std::string::npos);
}
