#include "core/json_writer.hpp"

#include <algorithm>
#include <nlohmann/json.hpp>

namespace tickledger {

std::string json_string(std::string_view text) {
    // Times and names, a fifth of what a long answer costs where the library looks at each of their
    // characters.
    const auto is_plain = [](char c) { return c >= ' ' && c <= '~' && c != '"' && c != '\\'; };
    if (std::all_of(text.begin(), text.end(), is_plain)) return '"' + std::string(text) + '"';
    return nlohmann::json(text).dump(-1, ' ', false, nlohmann::json::error_handler_t::replace);
}

void JsonObject::raw(std::string_view name, std::string_view value) {
    if (text_.size() > 1) text_ += ',';
    text_ += '"';
    text_ += name;
    text_ += "\":";
    text_ += value;
}

void JsonObject::optional_text(std::string_view name, const std::optional<std::string>& value) {
    if (value) {
        text(name, *value);
    } else {
        null(name);
    }
}

}  // namespace tickledger
