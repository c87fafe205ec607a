// Shared by the fuzz targets: each takes arbitrary bytes and checks what must hold of the result.
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

/// Aborts if the check fails, so that the fuzzer keeps the input.
inline void must(bool holds, const char* what) {
    if (holds) return;
    std::fprintf(stderr, "DOES NOT HOLD: %s\n", what);
    std::abort();
}

/// Whatever the input, an error message must be fit to be shown, stored and sent.
inline void must_be_a_sentence(const std::string& text) {
    must(!text.empty(), "an error message is not empty");
    must(text.size() < 2000, "an error message is short, whatever the input");
    must(is_utf8(text), "an error message is UTF-8");
}

inline std::string_view text_of(const std::uint8_t* data, std::size_t size) {
    return {reinterpret_cast<const char*>(data), size};
}

/// Removes the first line from the text and returns it; the whole text if it has no newline.
inline std::string_view take_line(std::string_view& text) {
    const auto end = text.find('\n');
    const auto line = text.substr(0, end);
    text.remove_prefix(end == std::string_view::npos ? text.size() : end + 1);
    return line;
}

}  // namespace tickledger::fuzz
