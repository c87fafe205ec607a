// Writes the JSON objects of answers. A volume is written as its exact decimal, which a library that holds
// numbers as double cannot promise. All code that reads JSON uses the library.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

namespace tickledger {

/// Appends `text` as a JSON string with its quotes. Bytes that are not UTF-8 are replaced by U+FFFD.
void append_json_string(std::string& to, std::string_view text);
[[nodiscard]] std::string json_string(std::string_view text);

/// One object. Its members keep the order in which they are added.
class JsonObject {
public:
    JsonObject() {
        // Long enough for most objects of an answer.
        text_.reserve(256);
        text_ = '{';
    }
    void text(std::string_view name, std::string_view value);
    void optional_text(std::string_view name, const std::optional<std::string>& value);
    void whole(std::string_view name, std::int64_t value);
    void flag(std::string_view name, bool value) { raw(name, value ? "true" : "false"); }
    void null(std::string_view name) { raw(name, "null"); }
    /// `value` is already JSON: a number, an array, an object.
    void raw(std::string_view name, std::string_view value);

    [[nodiscard]] std::string finish() && {
        text_ += '}';
        return std::move(text_);
    }

private:
    void begin(std::string_view name);

    std::string text_;
};

/// One array, likewise.
class JsonArray {
public:
    void add(std::string_view value) {
        if (text_.size() > 1) text_ += ',';
        text_ += value;
    }
    [[nodiscard]] std::string finish() && {
        text_ += ']';
        return std::move(text_);
    }

private:
    std::string text_ = "[";
};

}  // namespace tickledger
