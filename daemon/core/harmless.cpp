#include "core/harmless.hpp"

#include <fmt/format.h>

#include "core/json_text.hpp"

namespace tickledger {

namespace {

/// The character that a well-formed sequence stands for.
char32_t character_of(std::string_view sequence) {
    const auto byte = [&](std::size_t at) { return static_cast<unsigned char>(sequence[at]); };
    if (sequence.size() == 1) return byte(0);
    // RFC 3629, section 3: the first of n bytes has 7 - n bits of the character, each further byte has 6.
    char32_t character = byte(0) & (0x7FU >> sequence.size());
    for (std::size_t at = 1; at < sequence.size(); ++at)
        character = (character << 6U) | (byte(at) & 0x3FU);
    return character;
}

bool is_obeyed(char32_t c) {
    const bool is_control = c < 0x20 || (c >= 0x7F && c <= 0x9F);
    const bool is_separator = c == 0x2028 || c == 0x2029;
    const bool turns = c == 0x061C || c == 0x200E || c == 0x200F || (c >= 0x202A && c <= 0x202E) ||
                       (c >= 0x2066 && c <= 0x2069);
    return is_control || is_separator || turns;
}

}  // namespace

std::string harmless_text(std::string_view text) {
    std::string shown;
    shown.reserve(text.size());
    while (!text.empty()) {
        const std::size_t length = utf8_sequence_length(text);
        const std::string_view sequence = text.substr(0, length == 0 ? 1 : length);
        text.remove_prefix(sequence.size());
        if (length == 0) {
            shown += fmt::format("\\x{:02x}", static_cast<unsigned char>(sequence[0]));
        } else if (const char32_t c = character_of(sequence); is_obeyed(c)) {
            shown += fmt::format("\\u{:04x}", static_cast<unsigned>(c));
        } else {
            shown += sequence;
        }
    }
    return shown;
}

}  // namespace tickledger
