#include "core/json_writer.hpp"

#include <nlohmann/json.hpp>

namespace tickledger {

std::string json_string(std::string_view text) {
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
