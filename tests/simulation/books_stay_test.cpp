// Compares what is booked of some simulated worlds, line by line, with a committed file. A change of the
// booking rules shows up as changed lines. If the change is intended, write and commit them:
//
//   TICKLEDGER_WRITE_TOLD=1 build/release/tests/simulation/tests_worlds 'what is booked*'
//
// Whether the books are right is a matter for the audit of each world.
#include <catch2/catch.hpp>
#include <sstream>

#include "simulation/world.hpp"
#include "support/told_before.hpp"

using namespace tickledger::simulation;

TEST_CASE("what is booked of these worlds is what was booked of them before") {
    constexpr std::uint64_t first_seed = 4;
    constexpr std::uint64_t worlds = 30;
    constexpr std::size_t messages_a_world = 2'500;
    std::stringstream now;
    for (std::uint64_t seed = first_seed; seed < first_seed + worlds; ++seed) {
        const WorldReport report = run_world(seed, messages_a_world);
        now << "# seed " << seed << ": " << report.failure.value_or("right") << '\n';
        for (const std::string& line : report.told)
            now << line << '\n';
    }
    tickledger::test::check_told_before(now, TICKLEDGER_SOURCE_DIR "/tests/simulation/books_told.txt", 300);
}
