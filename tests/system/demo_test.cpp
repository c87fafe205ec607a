// The demo as a new user runs it, with the programs of this build.
#include <catch2/catch.hpp>
#include <cstdlib>

#include "system/site.hpp"

using namespace tickledger::test;

namespace {

constexpr std::chrono::seconds demo_longest{150};

Outcome run_demo(const std::string& option = {}) {
    std::vector<std::string> arguments{"env", "TICKLEDGER_BUILD_DIR=" TICKLEDGER_BUILD_DIR,
                                       TICKLEDGER_SOURCE_DIR "/config/demo/run"};
    if (!option.empty()) arguments.push_back(option);
    return run_to_end(arguments, demo_longest);
}

}  // namespace

TEST_CASE("the demo succeeds with every total equal and the alarm raised") {
    const Outcome demo = run_demo();
    INFO(demo.out << demo.error);
    CHECK(demo.status == 0);
    CHECK(demo.out.find("EQUAL, to the tick.") != std::string::npos);
    CHECK(demo.out.find("night-flow") != std::string::npos);
}

TEST_CASE("the demo detects a wrong total") {
    const Outcome demo = run_demo("--spoil");
    INFO(demo.out << demo.error);
    CHECK(demo.status == 1);
    CHECK(demo.out.find("NOT EQUAL") != std::string::npos);
}
