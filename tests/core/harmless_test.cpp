#include "core/harmless.hpp"

#include <catch2/catch.hpp>

namespace tickledger {

TEST_CASE("characters that a terminal obeys are shown as codes, and all others unchanged") {
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
        // Not UTF-8: a lone C1 byte, which an 8-bit terminal obeys, and an incomplete sequence.
        {"a\x9b"
         "b",
         "a\\x9bb"},
        {"\xE2\x80", "\\xe2\\x80"},
        // Neighbours of characters that are obeyed.
        {"\u00A0\u2027\u202F\u2065\u206A", "\u00A0\u2027\u202F\u2065\u206A"},
    };
    for (const auto& [text, shown] : cases) {
        CHECK(harmless_text(text) == shown);
        // The result contains nothing that is obeyed.
        CHECK(harmless_text(shown) == shown);
    }
}

TEST_CASE("exactly the characters that Unicode lists as obeyed are shown as codes") {
    // The Unicode Character Database: general category Cc, Zl and Zp, and the property Bidi_Control.
    const auto is_obeyed = [](char32_t c) {
        const bool is_control = c <= 0x1F || (c >= 0x7F && c <= 0x9F);
        const bool turns = c == 0x061C || c == 0x200E || c == 0x200F || (c >= 0x202A && c <= 0x202E) ||
                           (c >= 0x2066 && c <= 0x2069);
        return is_control || turns || c == 0x2028 || c == 0x2029;
    };
    for (char32_t c = 0; c < 0x3000; ++c) {
        std::string text;
        if (c < 0x80) {
            text = {static_cast<char>(c)};
        } else if (c < 0x800) {
            text = {static_cast<char>(0xC0 | c >> 6), static_cast<char>(0x80 | (c & 0x3F))};
        } else {
            text = {static_cast<char>(0xE0 | c >> 12), static_cast<char>(0x80 | (c >> 6 & 0x3F)),
                    static_cast<char>(0x80 | (c & 0x3F))};
        }
        CAPTURE(static_cast<unsigned>(c));
        REQUIRE((harmless_text(text) != text) == is_obeyed(c));
    }
}

}  // namespace tickledger
