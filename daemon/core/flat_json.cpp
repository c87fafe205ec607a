#include "core/flat_json.hpp"

#include <simdjson.h>

#include <optional>

namespace tickledger {

namespace {

// Longer texts are left to the general parser, so that this parser's memory stays small.
constexpr std::size_t text_max_bytes = 64 * 1024;

/// Nothing for an array, an object, and a number whose digits a double would lose.
[[nodiscard]] std::optional<JsonValue> value_of(simdjson::dom::element element) {
    using Type = simdjson::dom::element_type;
    JsonValue value;
    switch (element.type()) {
        case Type::STRING:
            value.kind = JsonValue::Kind::text;
            value.text = std::string_view(element);
            return value;
        case Type::INT64:
            value.kind = JsonValue::Kind::number;
            value.number = decimal_of(std::int64_t{element});
            return value;
        case Type::UINT64:
            value.kind = JsonValue::Kind::number;
            value.number = decimal_of(std::uint64_t{element});
            return value;
        case Type::BOOL:
            value.kind = JsonValue::Kind::boolean;
            value.truth = bool{element};
            return value;
        case Type::NULL_VALUE:
            value.kind = JsonValue::Kind::null;
            return value;
        default:
            return std::nullopt;
    }
}

/// Gives a member's value to the fields that name it. False if one of them already has a value.
[[nodiscard]] bool keep(std::string_view name, const JsonValue& value, std::span<JsonField> fields) {
    for (JsonField& field : fields) {
        if (!field.pointer.starts_with('/') || field.pointer.substr(1) != name) continue;
        if (field.value.kind != JsonValue::Kind::absent) return false;
        field.value = value;
    }
    return true;
}

[[nodiscard]] bool read_members(simdjson::dom::object object, std::span<JsonField> fields) {
    for (const auto [name, element] : object) {
        // A pointer escapes these two characters.
        if (name.find_first_of("~/") != std::string_view::npos) return false;
        const auto value = value_of(element);
        if (!value || !keep(name, *value, fields)) return false;
    }
    return true;
}

}  // namespace

bool read_flat_json(std::string_view text, std::span<JsonField> fields) {
    for (const JsonField& field : fields) {
        // The whole document is not a member.
        if (field.pointer.empty()) return false;
    }
    if (text.size() > text_max_bytes) return false;
    // The parser keeps its memory from text to text. Booking, the API and the start read on threads of their
    // own.
    thread_local simdjson::dom::parser parser;
    simdjson::dom::object object;
    if (parser.parse(text.data(), text.size()).get(object) != simdjson::SUCCESS) return false;
    if (read_members(object, fields)) return true;
    for (JsonField& field : fields)
        field.value = {};
    return false;
}

}  // namespace tickledger
