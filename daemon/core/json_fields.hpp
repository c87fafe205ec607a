// Single values out of a JSON text, by JSON Pointer, without building the document.
#pragma once

#include <cstdint>
#include <span>
#include <string>
#include <string_view>

#include "core/decimal.hpp"
#include "tickledger/result.hpp"

namespace tickledger {

/// The value at one pointer.
struct JsonValue {
    enum class Kind : std::uint8_t { absent, null, number, text, boolean, structure };
    Kind kind = Kind::absent;
    Decimal number;
    std::string text;  ///< Of a text.
    bool truth = false;
};

/// A value to look for. `name` is for errors: "count".
struct JsonField {
    std::string_view name;
    std::string_view pointer;  ///< RFC 6901; "" is the whole document.
    JsonValue value;
};

/// Walks through the text once and fills in the fields' values. Arrays and objects become `structure`. Fails
/// if the text is not JSON in UTF-8, is nested more than `json_depth_max` deep, or contains one of the fields
/// twice, because nobody can know which of the two counts. Throws nothing.
[[nodiscard]] Result<void> read_json_fields(std::string_view text, std::span<JsonField> fields);

/// The same with the general parser alone. read_json_fields() tries the faster one first.
[[nodiscard]] Result<void> read_any_json_fields(std::string_view text, std::span<JsonField> fields);

/// The value as an error quotes it.
[[nodiscard]] std::string shown(const JsonValue& value);

}  // namespace tickledger
