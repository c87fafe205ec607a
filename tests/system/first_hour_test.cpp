// docs/first-hour.md, command by command: a broker, an unknown board, today's water.
#include <fmt/format.h>

#include <atomic>
#include <catch2/catch.hpp>
#include <fstream>
#include <sstream>
#include <thread>

#include "site.hpp"
#include "support/mosquitto_process.hpp"

using namespace tickledger::test;

namespace {

/// The commands of a document, in order: the lines of its code blocks marked "sh".
std::vector<std::string> commands_of(const std::string& document) {
    std::ifstream in(document);
    std::vector<std::string> commands;
    bool is_inside = false;
    for (std::string line; std::getline(in, line);) {
        if (line.starts_with("```")) {
            is_inside = line == "```sh";
        } else if (is_inside && !line.empty()) {
            commands.push_back(line);
        }
    }
    return commands;
}

void replace(std::string& text, const std::string& from, const std::string& to) {
    for (auto at = text.find(from); at != std::string::npos; at = text.find(from, at + to.size()))
        text.replace(at, from.size(), to);
}

/// What differs between a test and an installed service: the paths, the user, and the person's edits.
std::string surroundings(Site& site, const MosquittoProcess& broker) {
    return fmt::format(
        R"(set -eo pipefail
sudo() {{ "$@"; }}
mosquitto_sub() {{ command mosquitto_sub -p {port} "$@"; }}
tickledger() {{ {client} --socket {socket} "$@"; }}
tickledgerd() {{
    if [[ $1 == listen ]]; then {daemon} "$@" --broker {url}; else {daemon} "$@" --config {config}; fi
}}
systemctl() {{ [[ $* == "reload tickledgerd" ]] && kill -HUP {pid}; }}
editor() {{ sed -i -e 's/^id = "garage-water"/id = "house"/' -e 's/^pulse_value = "1 L"/pulse_value = "0.01 L"/' "$1"; }}
)",
        fmt::arg("port", broker.port()), fmt::arg("client", program("tickledger")),
        fmt::arg("socket", site.socket().string()), fmt::arg("daemon", program("tickledgerd")),
        fmt::arg("url", broker.url()), fmt::arg("config", site.config().string()),
        fmt::arg("pid", site.daemon().pid()));
}

/// A board unknown to the daemon: 10 mL a tick, ten ticks a second, sending as fast as it can.
class Board {
public:
    explicit Board(const MosquittoProcess& broker)
        : thread_([this, &broker] {
              const auto start = std::chrono::steady_clock::now();
              while (!is_done_) {
                  const auto passed = std::chrono::steady_clock::now() - start;
                  broker.publish(
                      "garage/water",
                      fmt::format(
                          R"({{"WATER":{{"Total":{}}},"Wifi":{{"RSSI":-61}}}})",
                          4711 +
                              std::chrono::duration_cast<std::chrono::milliseconds>(passed).count() / 100));
              }
          }) {}
    ~Board() {
        is_done_ = true;
        thread_.join();
    }
    Board(const Board&) = delete;
    Board& operator=(const Board&) = delete;

private:
    std::atomic<bool> is_done_ = false;
    std::thread thread_;
};

}  // namespace

TEST_CASE("the commands of the first hour lead from an unknown board to today's water") {
    MosquittoProcess broker;
    Site site({.broker_url = broker.url()});
    site.start();
    const Board board(broker);
    const auto commands = commands_of(TICKLEDGER_SOURCE_DIR "/docs/first-hour.md");
    REQUIRE(commands.size() == 11);
    std::string all;
    for (std::string command : commands) {
        replace(command, "--for 1min", "--for 5s");
        replace(command, "/etc/tickledger/tickledger.toml", site.config().string());
        const Outcome done = run_to_end({"bash", "-c", surroundings(site, broker) + command}, 2 * patience);
        INFO(command << "\n" << done.out << done.error << site.journal());
        REQUIRE(done.status == 0);
        all += done.out;
        if (command.find("reload") != std::string::npos) {
            // A person would wait for the board's next messages.
            REQUIRE(wait_until([&] {
                return site.answers() && !site.get("/v1/meters").at("meters").empty() &&
                       ticks_of(site.get("/v1/meters/house/usage?step=hour")) > 0;
            }));
        }
    }
    CHECK_THAT(all, Catch::Contains("1. garage/water") && Catch::Contains("counts up") &&
                        Catch::Contains(R"(fields = { count = "/WATER/Total" })") &&
                        Catch::Contains("1234.567"));
    const auto usage = site.get("/v1/meters/house/usage?step=hour");
    // The 47.11 L that the counter showed before are not booked.
    CHECK(ticks_of(usage) > 0);
    CHECK(ticks_of(usage) < 4711);
    CHECK(site.stop() == 0);
}

TEST_CASE("a wrong topic in the configuration showed a house without water and no trouble") {
    MosquittoProcess broker;
    Site site({.broker_url = broker.url(),
               .meters = "[[meter]]\nid = \"house\"\ntopic = \"garage/watre\"\ncadence = \"1s\"\n"});
    site.start();
    REQUIRE(site.becomes_subscribed());
    std::string troubles;
    CHECK(wait_until([&] {
        troubles = site.get("/v1/health").at("troubles").dump();
        return troubles.find("No message for house has arrived on garage/watre") != std::string::npos;
    }));
    INFO(troubles);
    broker.publish("garage/watre", R"({"WATER":{"Total":4711}})");
    CHECK(wait_until([&] {
        troubles = site.get("/v1/health").at("troubles").dump();
        return troubles.find(
                   "A message of house in the last hour could not be read, the newest on "
                   "garage/watre") != std::string::npos;
    }));
    CHECK(site.get("/v1/health").at("state") == "degraded");
    CHECK_THAT(site.journal(), Catch::Contains("has started: 1 [[meter]] table, broker " + broker.url()));
    CHECK(site.stop() == 0);
}
