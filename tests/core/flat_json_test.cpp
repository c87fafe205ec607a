#include "core/flat_json.hpp"

#include <rapidcheck/catch.h>

#include <catch2/catch.hpp>
#include <vector>

using namespace tickledger;

namespace {

std::vector<JsonField> fields() {
    // Two fields with the same pointer, as a configuration may have.
    return {{"count", "/count", {}}, {"boot", "/boot", {}}, {"seq", "/seq", {}}, {"saved", "/count", {}}};
}

struct Found {
    bool is_read = false;
    std::vector<std::string> values;
    bool operator==(const Found&) const = default;
};

using Way = Result<void> (*)(std::string_view, std::span<JsonField>);

Found read(const std::string& text, Way way = read_json_fields) {
    auto found = fields();
    Found all{way(text, found).has_value(), {}};
    for (const JsonField& field : found) {
        if (all.is_read) all.values.push_back(shown(field.value));
    }
    return all;
}

Found read_generally(const std::string& text) {
    return read(text, read_any_json_fields);
}

}  // namespace

TEST_CASE("the fast reader reads what nodes nearly always send") {
    for (const char* text :
         {R"({"count":5312,"boot":7,"seq":41})", R"({ "count" : 0, "boot": "a-7", "x": null })",
          R"({"seq":999999999999999999,"boot":true,"more":false})", "{}", R"({"count":-1})",
          R"({"count":18446744073709551615,"seq":-9223372036854775808})", R"({"count":-0})",
          R"({"count":1,"boot":"\u0041\ud83d\ude00","seq":"ä\\"})"}) {
        INFO(text);
        auto found = fields();
        CHECK(read_flat_json(text, found));
        CHECK(read(text) == read_generally(text));
        CHECK(read(text).is_read);
    }
}

TEST_CASE("the fast reader leaves everything else to the general reader and keeps no values") {
    for (const char* text :
         {"", "{", "7", R"({"count":1)", R"({"count":1}x)", R"({"count":1,})", R"({"count":01})",
          R"({"count":1.5})", R"({"count":1e3})", R"({"count":18446744073709551616})",
          R"({"count":1,"boot":"\ud83d"})", R"({"count":1,"boot":"\ude00"})", "{\"boot\":\"\xe4\"}",
          R"({"count":1,"count":1})", R"({"count":1,"boot":{}})", R"({"count":1,"boot":[1]})", R"({"a~b":1})",
          R"({"count":tru})"}) {
        INFO(text);
        auto found = fields();
        CHECK(!read_flat_json(text, found));
        for (const JsonField& field : found)
            CHECK(field.value.kind == JsonValue::Kind::absent);
    }
    std::vector<JsonField> whole{{"count", "", {}}};
    CHECK(!read_flat_json(R"({"count":1})", whole));
}

TEST_CASE("the fast reader finds the same values as the general reader") {
    rc::prop("members in any order, with one byte changed", [] {
        const auto name = rc::gen::element<std::string>("count", "boot", "seq", "other", "", "a/b");
        const auto value = rc::gen::element<std::string>(
            "0", "7", "00", "4294967295", "18446744073709551615", "-3", "1.5", "-0", "-9223372036854775808",
            "\"\\ud83d\"", "\"\\ude00\"", "\"7\"", "\"\"", "null", "true", "false", "[1]");
        const auto members =
            *rc::gen::container<std::vector<std::pair<std::string, std::string>>>(rc::gen::pair(name, value));
        std::string text = "{";
        for (const auto& [its_name, its_value] : members) {
            if (text.size() > 1) text += ", ";
            text += '"' + its_name + "\":" + its_value;
        }
        text += "}";
        RC_ASSERT(read(text) == read_generally(text));
        text[*rc::gen::inRange<std::size_t>(0, text.size())] = *rc::gen::arbitrary<char>();
        RC_ASSERT(read(text) == read_generally(text));
    });
}
