#include "core/json_writer.hpp"

#include <array>
#include <charconv>
#include <nlohmann/json.hpp>

#include "core/json_text.hpp"

namespace tickledger {

void append_json_string(std::string& to, std::string_view text) {
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
    to.append(text, plain_from, text.size() - plain_from);
    to += '"';
}

std::string json_string(std::string_view text) {
    std::string string;
    append_json_string(string, text);
    return string;
}

void JsonObject::begin(std::string_view name) {
    if (text_.size() > 1) text_ += ',';
    text_ += '"';
    text_ += name;
    text_ += "\":";
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
