// The manual pages compared with the programs' own help.
#include <catch2/catch.hpp>
#include <fstream>
#include <regex>
#include <set>
#include <sstream>

#include "system/site.hpp"

using namespace tickledger::test;

namespace {

/// Every long option in the text.
std::set<std::string> options_in(const std::string& help) {
    static const std::regex option("--([a-z][a-z-]*)");
    std::set<std::string> found;
    for (std::sregex_iterator match(help.begin(), help.end(), option), end; match != end; ++match)
        found.insert((*match)[1]);
    return found;
}

/// The commands that a help text lists.
std::set<std::string> commands_in(const std::string& help) {
    static const std::regex command("\n  ([a-z]+)  +[A-Z]");
    std::set<std::string> found;
    for (std::sregex_iterator match(help.begin(), help.end(), command), end; match != end; ++match)
        found.insert((*match)[1]);
    return found;
}

std::string manual(const std::string& page) {
    std::ostringstream text;
    text << std::ifstream(TICKLEDGER_SOURCE_DIR "/docs/man/" + page).rdbuf();
    return text.str();
}

}  // namespace

TEST_CASE("the manual names every command and option of the programs") {
    for (const auto& [name, page] :
         {std::pair{"tickledger", "tickledger.1"}, std::pair{"tickledgerd", "tickledgerd.8"}}) {
        const std::string text = manual(page);
        const Outcome help = run_to_end({program(name), "--help"});
        REQUIRE(help.status == 0);
        const auto commands = commands_in(help.out);
        CHECK_FALSE(commands.empty());
        auto options = options_in(help.out);
        for (const std::string& command : commands) {
            INFO(page << " lacks the command " << command);
            CHECK(text.find("Cm " + command) != std::string::npos);
            const Outcome of_command = run_to_end({program(name), command, "--help"});
            options.merge(options_in(of_command.out));
        }
        for (const std::string& option : options) {
            INFO(page << " lacks --" << option);
            CHECK(text.find("Fl Fl " + option) != std::string::npos);
        }
    }
}
