// kill -9 at random moments under load, with restarts of the broker in between: no tick is lost or counted
// twice.
#include <fmt/format.h>
#include <signal.h>

#include <algorithm>
#include <array>
#include <catch2/catch.hpp>
#include <cstdlib>
#include <iostream>
#include <map>
#include <numeric>
#include <random>
#include <thread>

#include "serve/raw_client.hpp"
#include "support/mosquitto_process.hpp"
#include "system/load.hpp"
#include "system/site.hpp"

using namespace tickledger::test;
using nlohmann::json;
using std::chrono::microseconds;

namespace {

constexpr int messages_a_second = 500;
// Far more than any pipe carries: no gain of the fast boards is implausible, which is not tested here.
const std::string fast_meters = load_meters("", "1000000 m3/h");
// The slow boards send at most two litres in a fifth of a second, which such a pipe carries.
const std::string slow_meters = load_meters("slow-", "63 m3/h");
constexpr std::chrono::milliseconds slow_pause{200};

std::vector<LoadNode> boards() {
    std::vector<LoadNode> nodes;
    for (int i = 0; i < 4; ++i) {
        const std::string name = std::to_string(i);
        const bool tells_time = i % 2 == 0;
        // Counters that send the time start shortly before their wrap. Another test covers the wrap of the
        // others.
        const std::uint64_t count = tells_time ? load_counter_modulus - 50 : 0;
        nodes.push_back({.topic = "load/counters/" + name, .tells_time = tells_time, .count = count});
        nodes.push_back({.topic = "load/pulses/" + name, .is_counter = false, .tells_time = tells_time});
    }
    return nodes;
}

/// The same boards, and slow ones that keep their readings while their network is away.
std::vector<LoadNode> boards_with_backlogs() {
    std::vector<LoadNode> nodes = boards();
    for (const bool tells_time : {false, true}) {
        for (const bool is_counter : {false, true}) {
            nodes.push_back({.topic = fmt::format("load/slow-{}/{}", is_counter ? "counters" : "pulses",
                                                  tells_time ? 1 : 0),
                             .is_counter = is_counter,
                             .tells_time = tells_time,
                             .messages_a_boot = 60,
                             .pause = slow_pause});
        }
    }
    return nodes;
}

std::string meter_of(const LoadNode& node) {
    return std::string(node.pause.count() > 0 ? "slow-" : "") + (node.is_counter ? "counter-" : "pulses-") +
           node.topic.substr(node.topic.size() - 1);
}

std::int64_t entry_ticks(const Site& site, const std::string& meter) {
    const json ledger = site.get("/v1/meters/" + meter + "/ledger?" + all_days);
    std::int64_t sum = 0;
    for (const json& entry : ledger.at("entries")) {
        INFO(entry.dump());
        CHECK(entry.at("kind") != "lost");
        CHECK(entry.at("kind") != "preset");
        if (!entry.at("ticks").is_null()) sum += entry.at("ticks").get<std::int64_t>();
    }
    CHECK(ledger.at("refused") == json::array());
    return sum;
}

/// From yesterday to tomorrow, because the run may cross a midnight.
std::string days_around_today() {
    const auto date = [](int days) {
        const std::time_t t = std::time(nullptr) + days * 86'400;
        char text[16];
        std::tm utc{};
        ::gmtime_r(&t, &utc);
        std::strftime(text, sizeof text, "%F", &utc);
        return std::string(text);
    };
    return "&from=" + date(-1) + "&to=" + date(2);
}

/// The registers show the ticks that the boards sent, and so do the sums of all entries and rows.
void check_conservation(const Site& site, const std::vector<LoadNode>& nodes) {
    const auto shown = site.registers();
    for (const LoadNode& node : nodes) {
        const std::string meter = meter_of(node);
        INFO(meter << " after " << node.boot << " boots");
        CHECK(shown.at(meter) == node.told_ticks);
        CHECK(entry_ticks(site, meter) == node.told_ticks);
        for (const std::string step : {"interval", "hour", "day", "month", "year"}) {
            INFO(step);
            const std::string range = step == "month" || step == "year" ? "" : days_around_today();
            CHECK(ticks_of(site.get("/v1/meters/" + meter + "/usage?step=" + step + range)) ==
                  node.told_ticks);
        }
    }
}

bool all_told(const Site& site, const std::vector<LoadNode>& nodes) {
    const auto shown = site.registers();
    return std::all_of(nodes.begin(), nodes.end(), [&](const LoadNode& node) {
        const auto found = shown.find(meter_of(node));
        return found != shown.end() && found->second == node.told_ticks;
    });
}

/// The same in every ordinary run. TICKLEDGER_SEED chooses other moments.
std::uint64_t chosen_seed() {
    const char* wanted = std::getenv("TICKLEDGER_SEED");
    return wanted ? std::strtoull(wanted, nullptr, 10) : 1;
}

int cycles() {
    const char* wanted = std::getenv("TICKLEDGER_KILL_CYCLES");
    return wanted ? std::atoi(wanted) : 12;
}

}  // namespace

TEST_CASE("no kill -9 under load loses a tick or counts one twice") {
    const std::uint64_t seed = chosen_seed();
    INFO("seed " << seed);
    std::mt19937_64 chance(seed);
    MosquittoProcess broker;
    Site site({.broker_url = broker.url(),
               .meters = fast_meters + slow_meters,
               .store = "commit_every = \"50ms\""});
    // The session must exist before the first message: a broker keeps nothing for unknown clients.
    site.start();
    REQUIRE(site.becomes_subscribed());
    Load load(broker.url(), boards_with_backlogs(), messages_a_second, seed);

    const int wanted = cycles();
    for (int cycle = 1; cycle <= wanted; ++cycle) {
        const bool dies_while_starting = cycle % 4 == 0;
        if (dies_while_starting) {
            // The kill falls at a random moment of the start.
            site.launch();
            std::this_thread::sleep_for(microseconds{chance() % 200'000});
        } else {
            if (cycle > 1) site.start();
            const std::uint64_t enough = load.delivered() + 20 + chance() % 400;
            REQUIRE(wait_until([&] { return load.delivered() >= enough; }));
        }
        site.kill();
        if (cycle % 5 == 0) {
            broker.stop();
            broker.start();
        }
        if (wanted > 50 && cycle % 20 == 0) {
            std::cout << cycle << " kills, " << load.delivered() << " messages delivered" << std::endl;
        }
    }
    site.start();
    const auto nodes = load.finish();
    INFO(load.delivered() << " messages");
    CHECK(load.backlogs() > 0);
    CHECK(wait_until([&] { return all_told(site, nodes); }, 2 * patience));
    check_conservation(site, nodes);
    const json messages = site.get("/v1/health").at("messages");
    CHECK(messages.at("booked") == messages.at("accepted"));
    CHECK(messages.at("accepted").get<std::uint64_t>() >= load.delivered());
    CHECK(messages.at("unreadable") == 0);
    CHECK(messages.at("stray") == 0);

    // After an orderly restart the answers are the same.
    const std::string ledger = site.text(std::string("/v1/meters/counter-0/ledger?") + all_days);
    CHECK(site.stop() == 0);
    site.start();
    CHECK(site.text(std::string("/v1/meters/counter-0/ledger?") + all_days) == ledger);
    check_conservation(site, nodes);
}

/// The messages of a backlog are held until it is over, so memory rises and falls. Its peaks must not rise.
/// The first tenth fills caches. The last third of the rest is compared with the first.
void check_flat(std::vector<std::int64_t> resident_kb) {
    REQUIRE(resident_kb.size() >= 30);
    resident_kb.erase(resident_kb.begin(),
                      resident_kb.begin() + static_cast<std::ptrdiff_t>(resident_kb.size() / 10));
    const auto third = static_cast<std::ptrdiff_t>(resident_kb.size() / 3);
    const auto sorted = [](auto begin, auto end) {
        std::vector<std::int64_t> values(begin, end);
        std::sort(values.begin(), values.end());
        return values;
    };
    const auto before = sorted(resident_kb.begin(), resident_kb.begin() + third);
    const auto after = sorted(resident_kb.end() - third, resident_kb.end());
    const auto words = [](const std::vector<std::int64_t>& kb) {
        return fmt::format("median {} KiB, nine tenths within {}, at most {}", kb[kb.size() / 2],
                           kb[kb.size() * 9 / 10], kb.back());
    };
    std::cout << "resident, while one daemon went on: first third " << words(before) << "; last third "
              << words(after) << std::endl;
    CHECK(after[after.size() / 2] * 10 < before[before.size() / 2] * 11);
    CHECK(after[after.size() * 9 / 10] * 10 < before[before.size() * 9 / 10] * 11);
}

/// Sets the clock ahead by an hour, five minutes or a year, behind by half an hour, or right.
void let_the_clock_jump(const Site& site, std::uint64_t chance) {
    constexpr std::array<int, 6> ahead_s{3600, 300, 365 * 24 * 3600, -1800, 0, 0};
    site.clock_is_ahead(std::chrono::seconds{ahead_s.at(chance % ahead_s.size())});
}

/// Removes a part of the store under the daemon and waits until the daemon has recreated it. A daemon killed
/// before that could not recover it.
void remove_files(const Site& site, std::uint64_t chance) {
    namespace fs = std::filesystem;
    const fs::path ledger = site.store() / "ledger.db";
    const fs::path messages = site.store() / "messages";
    switch (chance % 4) {
        case 0:
            fs::remove(ledger);
            break;
        case 1:
            fs::remove(ledger.string() + "-wal");
            break;
        case 2:
            fs::remove_all(messages);
            break;
        default:
            fs::rename(site.store(), site.directory() / "elsewhere");
            fs::remove_all(site.directory() / "elsewhere");
    }
    const auto is_whole = [&] {
        std::error_code none;
        return fs::exists(ledger, none) && fs::exists(ledger.string() + "-wal", none) &&
               fs::exists(messages, none) && !fs::is_empty(messages, none);
    };
    CHECK(wait_until(is_whole));
    // The answer shows that booking has checked the store, and that messages are accepted again.
    (void)site.get("/v1/meters");
}

/// Many connections with incomplete requests, rubbish or slow reads. They close together.
void harass(const Site& site, std::mt19937_64& chance) {
    std::vector<std::unique_ptr<RawClient>> clients;
    for (int i = 0; i < 60; ++i) {
        try {
            clients.push_back(std::make_unique<RawClient>(site.socket()));
        } catch (const std::system_error&) {
            break;  // The listen queue is full.
        }
        constexpr std::array<const char*, 4> said{
            "GET /v1/heal", "\x16\x03\x01rubbish\r\n\r\n",
            "POST /v1/x HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: chunked\r\n\r\n4;",
            "GET /v1/meters/counter-0/ledger?from=2020-01-01&to=2100-01-01 HTTP/1.1\r\nHost: x\r\n\r\n"};
        clients.back()->send(said.at(chance() % said.size()));
    }
    std::this_thread::sleep_for(std::chrono::milliseconds{chance() % 3000});
}

/// Runs for TICKLEDGER_SOAK_S seconds, started by ./tests/soak. The first half also kills and stops the
/// daemon. In the second half one daemon runs through all other faults, and its memory is measured.
TEST_CASE("hours of load with every fault end exact, and memory stays flat", "[.soak]") {
    const char* wanted_s = std::getenv("TICKLEDGER_SOAK_S");
    REQUIRE(wanted_s);
    const auto began_at = std::chrono::steady_clock::now();
    const auto elapsed = [&] { return std::chrono::steady_clock::now() - began_at; };
    const std::chrono::seconds half{std::atoi(wanted_s) / 2};
    const std::uint64_t seed = chosen_seed();
    INFO("seed " << seed);
    std::mt19937_64 chance(seed);
    MosquittoProcess broker;
    Site site({.broker_url = broker.url(),
               .meters = fast_meters + slow_meters,
               .store = "keep_messages = \"1d\"",
               .has_jumping_clock = true});
    site.clock_is_ahead(std::chrono::seconds{0});
    site.start();
    REQUIRE(site.becomes_subscribed());
    constexpr int soak_messages_a_second = 2000;
    Load load(broker.url(), boards_with_backlogs(), soak_messages_a_second, seed);

    std::vector<std::int64_t> resident_kb;
    std::array<int, 8> faults{};
    while (elapsed() < 2 * half) {
        std::this_thread::sleep_for(std::chrono::milliseconds{500 + chance() % 9'500});
        const bool may_end = elapsed() < half;
        switch (const auto fault = may_end ? chance() % 8 : 2 + chance() % 6; ++faults.at(fault), fault) {
            case 0:
                site.kill();
                site.start();
                break;
            case 1:
                CHECK(site.stop() == 0);
                site.start();
                break;
            case 2:
                broker.stop();
                broker.start();
                break;
            case 3:
                broker.freeze();
                std::this_thread::sleep_for(microseconds{chance() % 1'000'000});
                broker.thaw();
                break;
            case 4:
                site.daemon().signal(SIGHUP);
                break;
            case 5:
                let_the_clock_jump(site, chance());
                break;
            case 6:
                remove_files(site, chance());
                break;
            default:
                harass(site, chance);
        }
        if (!may_end) resident_kb.push_back(tickledger::test::resident_kb(site.daemon().pid()));
        if (std::accumulate(faults.begin(), faults.end(), 0) % 20 == 0) {
            std::cout << std::chrono::duration_cast<std::chrono::seconds>(elapsed()).count()
                      << " s: " << load.delivered() << " messages delivered, "
                      << tickledger::test::resident_kb(site.daemon().pid()) << " KiB resident" << std::endl;
        }
    }
    site.clock_is_ahead(std::chrono::seconds{0});
    const auto nodes = load.finish();
    std::cout << load.delivered() << " messages, " << load.backlogs() << " backlogs of boards; " << faults[0]
              << " kills, " << faults[1] << " orderly stops, " << faults[2] << " restarts of the broker, "
              << faults[3] << " freezes of it, " << faults[4] << " reloads, " << faults[5]
              << " jumps of the clock, " << faults[6] << " removals of files, " << faults[7]
              << " hostile crowds" << std::endl;
    CHECK(wait_until([&] { return all_told(site, nodes); }, 4 * patience));
    check_conservation(site, nodes);
    const json messages = site.get("/v1/health").at("messages");
    CHECK(messages.at("booked") == messages.at("accepted"));
    CHECK(messages.at("unreadable") == 0);
    CHECK(messages.at("stray") == 0);
    check_flat(resident_kb);
    CHECK(site.stop() == 0);
}
