#include "core/json_writer.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <nlohmann/json.hpp>

namespace tickledger {

namespace {

/// Times and names, a fifth of what a long answer costs where the library looks at each of their characters.
bool is_plain(std::string_view text) {
    return std::all_of(text.begin(), text.end(),
                       [](char c) { return c >= ' ' && c <= '~' && c != '"' && c != '\\'; });
}

void append_string(std::string& to, std::string_view text) {
    if (is_plain(text)) {
        to += '"';
        to += text;
        to += '"';
    } else {
        to += nlohmann::json(text).dump(-1, ' ', false, nlohmann::json::error_handler_t::replace);
    }
}

}  // namespace

std::string json_string(std::string_view text) {
    std::string string;
    append_string(string, text);
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
    append_string(text_, value);
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
