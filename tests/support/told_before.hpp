// Compares a test's output with the committed output.
#pragma once

#include <catch2/catch.hpp>
#include <cstdlib>
#include <fstream>
#include <sstream>
#include <string>

namespace tickledger::test {

/// Fails at the first line that differs from the file, and if the file has fewer than `lines_min` lines. With
/// TICKLEDGER_WRITE_TOLD in the environment, the file is first overwritten with the new output.
inline void check_told_before(std::stringstream& now, const std::string& file, std::size_t lines_min) {
    if (std::getenv("TICKLEDGER_WRITE_TOLD") != nullptr) std::ofstream(file) << now.str();
    std::ifstream before(file);
    REQUIRE(before.is_open());
    std::size_t number = 0;
    for (std::string was, is; std::getline(before, was); ++number) {
        INFO("line " << number + 1 << " of " << file);
        REQUIRE(std::getline(now, is));
        REQUIRE(is == was);
    }
    CHECK(number >= lines_min);
    std::string more;
    CHECK_FALSE(std::getline(now, more));
}

}  // namespace tickledger::test
