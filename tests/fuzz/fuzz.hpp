// What the fuzz targets share: bytes of anybody's making go in, and what must hold of the answer is checked.
#pragma once

#include <cstddef>
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <string>
#include <string_view>

#include "core/json_text.hpp"
#include "tickledger/result.hpp"

namespace tickledger::fuzz {

/// Ends the run, so that the fuzzer keeps the input.
inline void must(bool holds, const char* what) {
    if (holds) return;
    std::fprintf(stderr, "DOES NOT HOLD: %s\n", what);
    std::abort();
}

/// Nothing that somebody published may make a sentence that cannot be shown, stored or sent.
inline void must_be_a_sentence(const std::string& text) {
    must(!text.empty(), "a refusal says something");
    must(text.size() < 2000, "a refusal is short, whatever it refuses");
    must(is_utf8(text), "a refusal is UTF-8");
}

inline std::string_view text_of(const std::uint8_t* data, std::size_t size) {
    return {reinterpret_cast<const char*>(data), size};
}

/// The first line, which is taken off the text; all of it where it has no newline.
inline std::string_view take_line(std::string_view& text) {
    const auto end = text.find('\n');
    const auto line = text.substr(0, end);
    text.remove_prefix(end == std::string_view::npos ? text.size() : end + 1);
    return line;
}

}  // namespace tickledger::fuzz
