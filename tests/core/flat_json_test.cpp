#include "core/flat_json.hpp"

#include <rapidcheck/catch.h>

#include <catch2/catch.hpp>
#include <vector>

using namespace tickledger;

namespace {

std::vector<JsonField> fields() {
    // Two of one place, as a configuration may have them.
    return {{"count", "/count", {}}, {"boot", "/boot", {}}, {"seq", "/seq", {}}, {"saved", "/count", {}}};
}

struct Found {
    bool is_read = false;
    std::vector<std::string> values;
    bool operator==(const Found&) const = default;
};

Found read(const std::string& text) {
    auto found = fields();
    Found all{read_json_fields(text, found).has_value(), {}};
    for (const JsonField& field : found) {
        if (all.is_read) all.values.push_back(shown(field.value));
    }
    return all;
}

/// A tab before it is white space as well, and leads past the short way.
Found read_by_library(const std::string& text) {
    auto found = fields();
    REQUIRE(!read_flat_json("\t" + text, found));
    return read("\t" + text);
}

}  // namespace

TEST_CASE("what nodes nearly always send is read the short way") {
    for (const char* text :
         {R"({"count":5312,"boot":7,"seq":41})", R"({ "count" : 0, "boot": "a-7", "x": null })",
          R"({"seq":999999999999999999,"boot":true,"more":false})"}) {
        INFO(text);
        auto found = fields();
        CHECK(read_flat_json(text, found));
        CHECK(read(text) == read_by_library(text));
        CHECK(read(text).is_read);
    }
}

TEST_CASE("everything else is left to the library, and nothing of it is kept") {
    for (const char* text :
         {"", "{", "{}", "7", R"({"count":1)", R"({"count":1}x)", R"({"count":1,})", R"({"count":01})",
          R"({"count":1.5})", R"({"count":-1})", R"({"count":1e3})", R"({"count":1234567890123456789})",
          R"({"count":1,"boot":"\u0041"})", R"({"count":1,"boot":"ä"})", R"({"count":1,"count":1})",
          R"({"count":1,"boot":{}})", R"({"count":1,"boot":[1]})", R"({"a~b":1})", R"({"count":tru})"}) {
        INFO(text);
        auto found = fields();
        CHECK(!read_flat_json(text, found));
        for (const JsonField& field : found)
            CHECK(field.value.kind == JsonValue::Kind::absent);
    }
    std::vector<JsonField> whole{{"count", "", {}}};
    CHECK(!read_flat_json(R"({"count":1})", whole));
}

TEST_CASE("the short way finds what the library finds") {
    rc::prop("members in any order, with one byte changed", [] {
        const auto name = rc::gen::element<std::string>("count", "boot", "seq", "other", "", "a/b");
        const auto value =
            rc::gen::element<std::string>("0", "7", "00", "4294967295", "18446744073709551615", "-3", "1.5",
                                          "\"7\"", "\"\"", "null", "true", "false", "[1]");
        const auto members =
            *rc::gen::container<std::vector<std::pair<std::string, std::string>>>(rc::gen::pair(name, value));
        std::string text = "{";
        for (const auto& [its_name, its_value] : members) {
            if (text.size() > 1) text += ", ";
            text += '"' + its_name + "\":" + its_value;
        }
        text += "}";
        RC_ASSERT(read(text) == read_by_library(text));
        text[*rc::gen::inRange<std::size_t>(0, text.size())] = *rc::gen::arbitrary<char>();
        RC_ASSERT(read(text) == read_by_library(text));
    });
}
