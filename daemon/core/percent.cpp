#include "core/percent.hpp"

#include <fmt/format.h>

#include <optional>

namespace tickledger {

namespace {

std::optional<int> hexadecimal_digit(char c) {
    if (c >= '0' && c <= '9') return c - '0';
    if (c >= 'a' && c <= 'f') return c - 'a' + 10;
    if (c >= 'A' && c <= 'F') return c - 'A' + 10;
    return std::nullopt;
}

}  // namespace

Result<std::string> percent_decode(std::string_view text) {
    std::string decoded;
    decoded.reserve(text.size());
    for (std::size_t i = 0; i < text.size(); ++i) {
        if (text[i] != '%') {
            decoded += text[i];
            continue;
        }
        if (text.size() - i < 3) return fail(fmt::format("\"{}\" ends within a percent code.", text));
        const auto first = hexadecimal_digit(text[i + 1]);
        const auto second = hexadecimal_digit(text[i + 2]);
        if (!first || !second) {
            return fail(fmt::format("\"{}\" in \"{}\" is not a percent code: % and two hexadecimal digits.",
                                    text.substr(i, 3), text));
        }
        decoded += static_cast<char>(*first * 16 + *second);
        i += 2;
    }
    return decoded;
}

std::string percent_encode(std::string_view text) {
    std::string encoded;
    for (const char c : text) {
        const bool unreserved = (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') ||
                                c == '-' || c == '.' || c == '_' || c == '~';
        if (unreserved) {
            encoded += c;
        } else {
            encoded += fmt::format("%{:02X}", static_cast<unsigned char>(c));
        }
    }
    return encoded;
}

}  // namespace tickledger
