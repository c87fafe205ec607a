#include "core/flat_json.hpp"

namespace tickledger {

namespace {

constexpr std::size_t digits_max = 18;

/// Walks over the text once. Every step answers whether it goes on as expected.
class Walk {
public:
    explicit Walk(std::string_view text) : rest_(text) {}

    [[nodiscard]] bool sign(char expected) {
        skip_spaces();
        if (rest_.empty() || rest_.front() != expected) return false;
        rest_.remove_prefix(1);
        return true;
    }

    /// A text in quotes.
    [[nodiscard]] bool text(std::string_view& found) {
        if (!sign('"')) return false;
        for (std::size_t i = 0; i < rest_.size(); ++i) {
            const char c = rest_[i];
            if (c == '"') {
                found = rest_.substr(0, i);
                rest_.remove_prefix(i + 1);
                return true;
            }
            if (c < ' ' || c > '~' || c == '\\') return false;
        }
        return false;
    }

    [[nodiscard]] bool value(JsonValue& found) {
        skip_spaces();
        if (rest_.empty()) return false;
        if (rest_.front() == '"') {
            std::string_view read;
            if (!text(read)) return false;
            found.kind = JsonValue::Kind::text;
            found.text = read;
            return true;
        }
        if (rest_.front() >= '0' && rest_.front() <= '9') return number(found);
        if (literal("null")) {
            found.kind = JsonValue::Kind::null;
            return true;
        }
        found.kind = JsonValue::Kind::boolean;
        found.truth = rest_.front() == 't';
        return literal(found.truth ? "true" : "false");
    }

    [[nodiscard]] bool ended() {
        skip_spaces();
        return rest_.empty();
    }

private:
    void skip_spaces() {
        while (!rest_.empty() && rest_.front() == ' ')
            rest_.remove_prefix(1);
    }

    [[nodiscard]] bool literal(std::string_view expected) {
        if (!rest_.starts_with(expected)) return false;
        rest_.remove_prefix(expected.size());
        return true;
    }

    /// What follows a number of another form, as a point, is no member's end: the walk stops there.
    [[nodiscard]] bool number(JsonValue& found) {
        std::uint64_t digits = 0;
        std::size_t length = 0;
        for (; length < rest_.size() && rest_[length] >= '0' && rest_[length] <= '9'; ++length) {
            if (length == digits_max) return false;
            digits = digits * 10 + static_cast<std::uint64_t>(rest_[length] - '0');
        }
        if (rest_.front() == '0' && length > 1) return false;
        rest_.remove_prefix(length);
        found.kind = JsonValue::Kind::number;
        found.number = decimal_of(digits);
        return true;
    }

    std::string_view rest_;
};

/// Gives a member's value to the fields that it is; false where one has a value already.
[[nodiscard]] bool keep(std::string_view name, const JsonValue& value, std::span<JsonField> fields) {
    for (JsonField& field : fields) {
        if (!field.pointer.starts_with('/') || field.pointer.substr(1) != name) continue;
        if (field.value.kind != JsonValue::Kind::absent) return false;
        field.value = value;
    }
    return true;
}

[[nodiscard]] bool read_members(std::string_view text, std::span<JsonField> fields) {
    Walk walk(text);
    if (!walk.sign('{')) return false;
    do {
        std::string_view name;
        JsonValue value;
        if (!walk.text(name) || name.find_first_of("~/") != std::string_view::npos) return false;
        if (!walk.sign(':') || !walk.value(value) || !keep(name, value, fields)) return false;
    } while (walk.sign(','));
    return walk.sign('}') && walk.ended();
}

}  // namespace

bool read_flat_json(std::string_view text, std::span<JsonField> fields) {
    for (const JsonField& field : fields) {
        // The whole document is no member.
        if (field.pointer.empty()) return false;
    }
    if (read_members(text, fields)) return true;
    for (JsonField& field : fields)
        field.value = {};
    return false;
}

}  // namespace tickledger
