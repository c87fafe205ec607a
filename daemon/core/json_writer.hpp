// Writes the answers' JSON objects. A volume leaves as the exact decimal that it is, which a library that
// holds numbers as double cannot promise; everything that reads JSON uses the library.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

namespace tickledger {

/// Appends `text` as a JSON string with its quotes. What is not UTF-8 is replaced by U+FFFD.
void append_json_string(std::string& to, std::string_view text);
[[nodiscard]] std::string json_string(std::string_view text);

/// One object whose members stand in the order in which they are added.
class JsonObject {
public:
    JsonObject() {
        // As long as most objects of an answer get.
        text_.reserve(256);
        text_ = '{';
    }
    void text(std::string_view name, std::string_view value);
    void optional_text(std::string_view name, const std::optional<std::string>& value);
    void whole(std::string_view name, std::int64_t value);
    void flag(std::string_view name, bool value) { raw(name, value ? "true" : "false"); }
    void null(std::string_view name) { raw(name, "null"); }
    /// `value` is JSON already: a number, an array, an object.
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
