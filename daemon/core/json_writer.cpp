#include "core/json_writer.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <nlohmann/json.hpp>

#include "core/json_text.hpp"

namespace tickledger {

namespace {

/// The characters that need no escape in a JSON string. A table, because every character of an answer's times
/// is looked up.
constexpr std::array<bool, 256> plain = [] {
    std::array<bool, 256> is_plain{};
    for (std::size_t byte = 0x20; byte < 0x7f; ++byte)
        is_plain[byte] = byte != '"' && byte != '\\';
    return is_plain;
}();

bool is_plain(char character) {
    return plain[static_cast<unsigned char>(character)];
}

}  // namespace

void append_json_string(std::string& to, std::string_view text) {
    // Nearly everything that is written: times and names.
    if (std::all_of(text.begin(), text.end(), is_plain)) {
        to += '"';
        to += text;
        to += '"';
        return;
    }
    if (!is_utf8(text)) {
        to += nlohmann::json(text).dump(-1, ' ', false, nlohmann::json::error_handler_t::replace);
        return;
    }
    static constexpr std::string_view hex = "0123456789abcdef";
    to += '"';
    std::size_t plain_from = 0;
    for (std::size_t i = 0; i < text.size(); ++i) {
        const auto byte = static_cast<unsigned char>(text[i]);
        if (byte >= 0x20 && byte != '"' && byte != '\\') continue;
        to.append(text, plain_from, i - plain_from);
        plain_from = i + 1;
        if (byte >= 0x20) {
            to += '\\';
            to += text[i];
        } else {
            to += "\\u00";
            to += hex[byte >> 4U];
            to += hex[byte & 0xFU];
        }
    }
    to.append(text, plain_from);
    to += '"';
}

std::string json_string(std::string_view text) {
    std::string string;
    append_json_string(string, text);
    return string;
}

void JsonObject::begin(std::string_view name) {
    text_.append(text_.size() > 1 ? ",\"" : "\"").append(name).append("\":");
}

void JsonObject::raw(std::string_view name, std::string_view value) {
    begin(name);
    text_ += value;
}

void JsonObject::text(std::string_view name, std::string_view value) {
    begin(name);
    append_json_string(text_, value);
}

void JsonObject::whole(std::string_view name, std::int64_t value) {
    begin(name);
    std::array<char, 24> digits{};
    const auto written = std::to_chars(digits.data(), digits.data() + digits.size(), value);
    text_.append(digits.data(), written.ptr);
}

void JsonObject::optional_text(std::string_view name, const std::optional<std::string>& value) {
    if (value) {
        text(name, *value);
    } else {
        null(name);
    }
}

}  // namespace tickledger
