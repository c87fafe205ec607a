// The example in config/ shows every option, each at its default.
#include <catch2/catch.hpp>
#include <fstream>
#include <iterator>
#include <set>
#include <sstream>
#include <string>

#include "configuration/document.hpp"
#include "configuration/mistakes.hpp"
#include "sentences.hpp"

using namespace tickledger;

namespace {

std::string example_text() {
    std::ifstream in(TICKLEDGER_EXAMPLE);
    REQUIRE(in);
    return {std::istreambuf_iterator<char>(in), {}};
}

/// The paths of all keys below the top-level tables: "meter.fields.count".
void collect(const toml_file::Value& value, const std::string& path, std::set<std::string>& keys) {
    for (const auto& item : value.items)
        if (item.kind == toml_file::Kind::table) collect(item, path, keys);
    for (const auto& member : value.members) {
        const std::string key = path.empty() ? member.key : path + "." + member.key;
        if (!path.empty()) keys.insert(key);
        collect(member.value, key, keys);
    }
}

}  // namespace

TEST_CASE("The example is valid and equals a file that gives only the meter's id and topic",
          "[configuration]") {
    const auto example = read_configuration(TICKLEDGER_EXAMPLE);
    REQUIRE(testing::joined(example).empty());
    const auto minimal = read_configuration_text(
        "[[meter]]\nid = \"house\"\ntopic = \"nodes/cellar/water\"\n", "minimal.toml");
    REQUIRE(testing::joined(minimal).empty());
    CHECK(to_toml(example.configuration) == to_toml(minimal.configuration));
    CHECK(example.configuration == minimal.configuration);
}

TEST_CASE("The example shows every option", "[configuration]") {
    const std::string text = example_text();
    Mistakes mistakes{"tickledger.toml"};
    std::set<std::string> shown;
    collect(toml_file::parse_document(text, mistakes), "", shown);
    REQUIRE(mistakes.count() == 0);
    // q3 and q4 exclude each other, so one of them can only be shown in a comment, at the same default.
    CHECK(text.find("\n# q4 = \"3.125 m3/h\"\n") != std::string::npos);
    shown.insert("meter.q4");
    // No tenant exists by default, so one can only be shown in a comment.
    for (const char* key : {"name", "token_file", "meters", "group"}) {
        CHECK(text.find("\n# [[tenant]]\n") <
              text.find(std::string("\n# ") + key + " = ", text.find("[[tenant]]")));
        shown.insert(std::string("tenant.") + key);
    }
    const auto known = known_configuration_keys();
    CHECK(shown == std::set<std::string>(known.begin(), known.end()));
}

TEST_CASE("In the example every table has a comment, and every option has one or follows another option",
          "[configuration]") {
    // A paragraph of options always begins with its comment.
    std::istringstream lines(example_text());
    std::string line;
    std::string before;
    while (std::getline(lines, line)) {
        const bool is_option = line.find(" = ") != std::string::npos && line.front() != '#';
        INFO(line);
        if (is_option) CHECK((!before.empty() && before.front() != '['));
        before = line;
    }
}

TEST_CASE("The example cautions about billing meters, mains and alarms", "[configuration]") {
    const std::string text = example_text();
    CHECK(text.find("Never open a billing meter") != std::string::npos);
    CHECK(text.find("Keep mains electricity away from water") != std::string::npos);
    CHECK(text.find("not a safety device") != std::string::npos);
}
