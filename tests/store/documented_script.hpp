// Runs the script that docs/ledger-format.md gives to people who read a ledger without Tickledger.
#pragma once

#include <catch2/catch.hpp>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <string>

#include "support/temp_directory.hpp"

namespace tickledger::test {

inline std::string text_of(const std::filesystem::path& file) {
    std::ifstream in(file);
    return {std::istreambuf_iterator<char>(in), {}};
}

/// What the script prints about the ledger. The script and its output are written to `directory`.
inline std::string printed_by_documented_script(const TempDirectory& directory,
                                                const std::filesystem::path& ledger) {
    const std::string page = text_of(TICKLEDGER_LEDGER_FORMAT);
    const std::string opening = "```python\n";
    const auto begin = page.find(opening) + opening.size();
    const auto script = directory.write("read.py", page.substr(begin, page.find("```", begin) - begin));
    const auto printed = directory / "printed";
    const std::string command =
        "/usr/bin/python3 '" + script.string() + "' '" + ledger.string() + "' >'" + printed.string() + "'";
    REQUIRE(std::system(command.c_str()) == 0);
    return text_of(printed);
}

}  // namespace tickledger::test
