#include "core/harmless.hpp"

#include <catch2/catch.hpp>

namespace tickledger {

TEST_CASE("what a terminal obeys is shown as its code, and all else as it is") {
    using std::string;
    using std::string_literals::operator""s;
    const std::pair<string, string> cases[] = {
        {"nodes/cellar/water", "nodes/cellar/water"},
        {"Küche – 水 🚰", "Küche – 水 🚰"},
        {"", ""},
        {"\0"s, "\\u0000"},
        // ECMA-48: ESC [ is CSI, ESC ] is OSC; BEL; C1's own CSI is U+009B.
        {"\x1b[2J", "\\u001b[2J"},
        {"\x1b]0;title\x07", "\\u001b]0;title\\u0007"},
        {"\xC2\x9B"
         "31m",
         "\\u009b31m"},
        {"\x7f", "\\u007f"},
        {"one\r\ntwo\tthree", "one\\u000d\\u000atwo\\u0009three"},
        // Unicode UAX #9: explicit marks of direction; and the separators of UAX #14.
        {"a\u202Eb\u2066c\u2069d\u200Fe\u061Cf", "a\\u202eb\\u2066c\\u2069d\\u200fe\\u061cf"},
        {"a\u2028b\u2029c", "a\\u2028b\\u2029c"},
        // Not UTF-8: a lone C1 byte, which a terminal of eight bits obeys; a sequence without an end.
        {"a\x9b"
         "b",
         "a\\x9bb"},
        {"\xE2\x80", "\\xe2\\x80"},
        // What stands beside what is obeyed.
        {"\u00A0\u2027\u202F\u2065\u206A", "\u00A0\u2027\u202F\u2065\u206A"},
    };
    for (const auto& [text, shown] : cases) {
        CHECK(harmless_text(text) == shown);
        // What is shown obeys nothing.
        CHECK(harmless_text(shown) == shown);
    }
}

}  // namespace tickledger
