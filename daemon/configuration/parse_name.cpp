#include <fmt/format.h>

#include <algorithm>

#include "configuration/parsers.hpp"
#include "tickledger/civil.hpp"

namespace tickledger {

namespace {

constexpr std::string_view placeholder = "{1}";

bool is_id_letter(char c) {
    return (c >= 'a' && c <= 'z') || (c >= '0' && c <= '9') || c == '-';
}

/// The nearest valid id, as a proposal: "My House" → "my-house".
std::string as_id(std::string_view text) {
    std::string id;
    for (char c : text) {
        if (c >= 'A' && c <= 'Z') c = static_cast<char>(c - 'A' + 'a');
        if (is_id_letter(c)) {
            id += c;
        } else if (!id.empty() && id.back() != '-') {
            id += '-';
        }
    }
    while (!id.empty() && id.back() == '-')
        id.pop_back();
    return id.empty() || id.size() > 64 ? "house" : id;
}

/// The texts before and after "{1}".
struct Pattern {
    std::string_view prefix;
    std::string_view suffix;
    bool has_placeholder = false;
};

Pattern pattern_of(std::string_view id) {
    const auto at = id.find(placeholder);
    if (at == std::string_view::npos) return {id, {}, false};
    return {id.substr(0, at), id.substr(at + placeholder.size()), true};
}

bool begins_with_either(std::string_view a, std::string_view b) {
    return a.starts_with(b) || b.starts_with(a);
}
bool ends_with_either(std::string_view a, std::string_view b) {
    return a.ends_with(b) || b.ends_with(a);
}

}  // namespace

Result<std::string> parse_any_text(std::string_view text) {
    return std::string{text};
}

Result<std::string> parse_timezone(std::string_view text) {
    if (text.empty()) return std::string{};
    const auto zone = CivilZone::find(text);
    if (!zone) return fail(zone.error().text);
    return std::string{text};
}

Result<std::string> parse_meter_id(std::string_view text) {
    const auto [prefix, suffix, has_placeholder] = pattern_of(text);
    const bool letters = std::all_of(prefix.begin(), prefix.end(), is_id_letter) &&
                         std::all_of(suffix.begin(), suffix.end(), is_id_letter);
    if (!letters) {
        if (text.find('{') != std::string_view::npos) {
            return fail(fmt::format(
                "\"{}\" is not a valid id. Write \"{{1}}\" at most once, for the level that the first + of "
                "the topic matches, and otherwise only the letters a-z, digits and hyphens.",
                text));
        }
        return fail(fmt::format(
            "\"{}\" is not a valid id. Write only the letters a-z, digits and hyphens, for example \"{}\".",
            text, as_id(text)));
    }
    const std::size_t shortest = prefix.size() + suffix.size() + (has_placeholder ? 1 : 0);
    if (shortest == 0) return fail("an id cannot be empty. Write a short name, for example \"house\".");
    if (shortest > 64) {
        return fail(fmt::format("this id has {} characters. Write a shorter one, at most 64.", shortest));
    }
    return std::string{text};
}

Result<std::string> parse_name(std::string_view text) {
    constexpr std::size_t longest = 100;
    const auto is_control = [](char c) { return static_cast<unsigned char>(c) < 0x20 || c == 0x7f; };
    if (std::any_of(text.begin(), text.end(), is_control))
        return fail("a name must be on one line. Take line breaks and tabs out of it.");
    if (!text.empty() && (text.front() == ' ' || text.back() == ' '))
        return fail(fmt::format("\"{}\" begins or ends with a space. Remove the space.", text));
    // Counts every byte of UTF-8 except continuation bytes.
    const auto characters = static_cast<std::size_t>(std::count_if(
        text.begin(), text.end(), [](char c) { return (static_cast<unsigned char>(c) & 0xC0U) != 0x80U; }));
    if (characters > longest) {
        return fail(fmt::format("this name has {} characters. Write a shorter one, at most {}.", characters,
                                longest));
    }
    return std::string{text};
}

bool ids_overlap(std::string_view a, std::string_view b) {
    const Pattern one = pattern_of(a);
    const Pattern other = pattern_of(b);
    if (!one.has_placeholder && !other.has_placeholder) return a == b;
    if (one.has_placeholder && other.has_placeholder) {
        return begins_with_either(one.prefix, other.prefix) && ends_with_either(one.suffix, other.suffix);
    }
    const Pattern& pattern = one.has_placeholder ? one : other;
    const std::string_view plain = one.has_placeholder ? b : a;
    return plain.size() >= pattern.prefix.size() + pattern.suffix.size() &&
           plain.starts_with(pattern.prefix) && plain.ends_with(pattern.suffix);
}

Result<std::string> parse_json_pointer(std::string_view text) {
    if (!text.empty() && text.front() != '/') {
        // Many languages write "WATER.Total" for the JSON Pointer "/WATER/Total".
        std::string pointer = fmt::format("/{}", text);
        std::ranges::replace(pointer, '.', '/');
        return fail(
            fmt::format("\"{}\" is not a valid JSON Pointer. Begin it with a slash: \"{}\".", text, pointer));
    }
    for (std::size_t i = 0; i < text.size(); ++i) {
        if (text[i] == '~' && (i + 1 == text.size() || (text[i + 1] != '0' && text[i + 1] != '1'))) {
            return fail(fmt::format(
                "\"{}\" is not a valid JSON Pointer. Write ~0 for a tilde and ~1 for a slash within a name "
                "(RFC 6901).",
                text));
        }
    }
    return std::string{text};
}

Result<std::filesystem::path> parse_path_or_none(std::string_view text) {
    return text.empty() ? std::filesystem::path{} : parse_path(text);
}

Result<std::filesystem::path> parse_path(std::string_view text) {
    if (text.empty()) return fail("a path cannot be empty. Write one, or leave the key out for the default.");
    if (text.find('\0') != std::string_view::npos) {
        return fail("a path cannot hold the character NUL. Take \\u0000 out of it.");
    }
    return std::filesystem::path{text};
}

Result<std::filesystem::path> parse_socket_path(std::string_view text) {
    constexpr std::size_t longest_bytes = 107;
    if (text.size() > longest_bytes) {
        return fail(
            fmt::format("this path has {} bytes, and a local socket's may have {}. Write a shorter one.",
                        text.size(), longest_bytes));
    }
    return parse_path(text);
}

}  // namespace tickledger
