#include "core/json_fields.hpp"

#include <array>
#include <nlohmann/json.hpp>
#include <utility>

#include "core/flat_json.hpp"
#include "core/json_text.hpp"

namespace tickledger {

namespace {

/// Follows the parser and keeps the pointer of the current place. The library calls it for each token; false
/// stops the parser.
class FieldFinder {
public:
    explicit FieldFinder(std::span<JsonField> fields) : fields_(fields) {}

    std::string error;
    std::size_t error_at = 0;  ///< The byte where the text stops being JSON; 0 if it does not.

    bool null() { return value({JsonValue::Kind::null, {}, {}, false}); }
    bool boolean(bool truth) { return value({JsonValue::Kind::boolean, {}, {}, truth}); }
    bool number_integer(std::int64_t number) { return this->number(decimal_of(number)); }
    bool number_unsigned(std::uint64_t number) { return this->number(decimal_of(number)); }
    bool number_float(double /*nearest*/, const std::string& text) { return number(decimal_of(text)); }
    bool string(std::string& text) { return value({JsonValue::Kind::text, {}, text, false}); }
    bool binary(nlohmann::json::binary_t& /*bytes*/) { return true; }

    bool start_object(std::size_t /*elements*/) { return start(false); }
    bool start_array(std::size_t /*elements*/) { return start(true); }
    bool end_object() { return end(); }
    bool end_array() { return end(); }

    bool key(std::string& name) {
        path_.resize(level().path_length);
        path_ += '/';
        if (name.find_first_of("~/") == std::string::npos) {
            path_ += name;
            return true;
        }
        for (const char c : name) {
            if (c == '~')
                path_ += "~0";
            else if (c == '/')
                path_ += "~1";
            else
                path_ += c;
        }
        return true;
    }

    bool parse_error(std::size_t byte, const std::string& /*token*/,
                     const nlohmann::json::exception& /*reason*/) {
        error_at = byte;
        return false;
    }

private:
    struct Level {
        std::size_t path_length = 0;
        bool is_array = false;
        std::size_t next_index = 0;
    };

    [[nodiscard]] Level& level() { return levels_[depth_ - 1]; }

    /// The elements of an array have no names, so they are counted.
    void step_in_array() {
        if (depth_ == 0 || !level().is_array) return;
        path_.resize(level().path_length);
        path_ += '/';
        path_ += std::to_string(level().next_index++);
    }

    bool number(const Decimal& number) { return value({JsonValue::Kind::number, number, {}, false}); }

    bool value(JsonValue&& found) {
        step_in_array();
        return keep(std::move(found));
    }

    bool keep(JsonValue&& found) {
        for (JsonField& field : fields_) {
            if (field.pointer != path_) continue;
            if (field.value.kind != JsonValue::Kind::absent) {
                error = "The field `" + std::string(field.name) + "` appears in the message twice.";
                return false;
            }
            field.value = found;
        }
        return true;
    }

    bool start(bool is_array) {
        step_in_array();
        if (!keep({JsonValue::Kind::structure, {}, {}, false})) return false;
        if (depth_ == levels_.size()) {
            error = "The payload's arrays and objects are nested more than " +
                    std::to_string(json_depth_max) + " levels deep.";
            return false;
        }
        levels_[depth_++] = {path_.size(), is_array, 0};
        return true;
    }

    bool end() {
        path_.resize(level().path_length);
        --depth_;
        return true;
    }

    std::span<JsonField> fields_;
    std::string path_;
    std::array<Level, json_depth_max> levels_{};
    std::size_t depth_ = 0;
};

}  // namespace

Result<void> read_json_fields(std::string_view text, std::span<JsonField> fields) {
    return read_flat_json(text, fields) ? Result<void>{} : read_any_json_fields(text, fields);
}

Result<void> read_any_json_fields(std::string_view text, std::span<JsonField> fields) {
    FieldFinder finder(fields);
    if (nlohmann::json::sax_parse(text, &finder)) return {};
    if (!finder.error.empty()) return fail(std::move(finder.error));
    return fail("The payload is not JSON: " + json_error_at(text, finder.error_at).text);
}

std::string shown(const JsonValue& value) {
    switch (value.kind) {
        case JsonValue::Kind::absent:
            return "nothing";
        case JsonValue::Kind::null:
            return "null";
        case JsonValue::Kind::number:
            return canonical_text(value.number);
        case JsonValue::Kind::text:
            return "the text \"" + excerpt(value.text) + "\"";
        case JsonValue::Kind::boolean:
            return value.truth ? "true" : "false";
        case JsonValue::Kind::structure:
            return "an array or object";
    }
    return {};
}

}  // namespace tickledger
