// A million messages through simulated worlds, the same ones in every run.
#include <catch2/catch.hpp>
#include <charconv>
#include <cstdlib>
#include <iostream>
#include <random>
#include <string_view>

#include "simulation/world.hpp"

using namespace tickledger::simulation;

namespace {

constexpr std::size_t messages_a_world = 20'000;
constexpr std::size_t messages_in_all = 1'000'000;

/// TICKLEDGER_SIMULATED_MESSAGES sets a smaller number, for builds with slow sanitizers.
std::size_t messages_wanted() {
    const char* text = std::getenv("TICKLEDGER_SIMULATED_MESSAGES");
    if (text == nullptr) return messages_in_all;
    const std::string_view wanted(text);
    std::size_t number = messages_in_all;
    std::from_chars(wanted.data(), wanted.data() + wanted.size(), number);
    return number;
}

std::size_t check_world(std::uint64_t seed) {
    const WorldReport report = run_world(seed, messages_a_world);
    INFO("replay it: ./tests/simulate --seed " << seed << " --worlds 1 --world-messages "
                                               << messages_a_world);
    CHECK(report.failure.value_or("") == "");
    return report.logged;
}

}  // namespace

TEST_CASE("simulated worlds: a million messages of fixed seeds") {
    std::size_t messages = 0;
    std::uint64_t seed = 1;
    for (; messages < messages_wanted(); ++seed)
        messages += check_world(seed);
    std::cout << seed - 1 << " worlds, " << messages << " messages\n";
}

// Fresh seeds are used only on request, because every run of the tests must do the same.
TEST_CASE("simulated worlds: seeds that nobody has seen, from TICKLEDGER_FRESH_SEEDS on") {
    const char* text = std::getenv("TICKLEDGER_FRESH_SEEDS");
    if (text == nullptr) {
        std::cout
            << "TICKLEDGER_FRESH_SEEDS names no first seed (or \"random\"): only fixed seeds were played\n";
        return;
    }
    const std::string_view wanted(text);
    std::uint64_t first = std::uint64_t{std::random_device{}()} << 8U;
    std::from_chars(wanted.data(), wanted.data() + wanted.size(), first);
    std::cout << "first seed " << first << "\n";
    for (std::size_t messages = 0, world = 0; messages < messages_wanted() / 10; ++world)
        messages += check_world(first + world);
}

TEST_CASE("the same seed gives the same world") {
    const WorldReport one = run_world(5, 3'000);
    const WorldReport other = run_world(5, 3'000);
    CHECK(one.fingerprint == other.fingerprint);
    CHECK(run_world(6, 3'000).fingerprint != one.fingerprint);
    CHECK(one.logged == other.logged);
    CHECK(one.lost_lines == other.lost_lines);
    CHECK(one.starts == other.starts);
    CHECK(one.troubles == other.troubles);
}
