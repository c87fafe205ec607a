#include "core/json_text.hpp"

#include <algorithm>
#include <nlohmann/json.hpp>

namespace tickledger {

namespace {

/// Finds the place where a text stops being JSON. Builds no document.
class ErrorFinder final : public nlohmann::json_sax<nlohmann::json> {
public:
    std::size_t error_at = 0;

    bool null() override { return true; }
    bool boolean(bool /*value*/) override { return true; }
    bool number_integer(number_integer_t /*value*/) override { return true; }
    bool number_unsigned(number_unsigned_t /*value*/) override { return true; }
    bool number_float(number_float_t /*value*/, const string_t& /*text*/) override { return true; }
    bool string(string_t& /*value*/) override { return true; }
    bool binary(binary_t& /*value*/) override { return true; }
    bool start_object(std::size_t /*elements*/) override { return true; }
    bool key(string_t& /*value*/) override { return true; }
    bool end_object() override { return true; }
    bool start_array(std::size_t /*elements*/) override { return true; }
    bool end_array() override { return true; }
    bool parse_error(std::size_t position, const std::string& /*token*/,
                     const nlohmann::detail::exception& /*reason*/) override {
        error_at = position;
        return false;
    }
};

}  // namespace

std::size_t utf8_sequence_length(std::string_view bytes) {
    const auto at = [&](std::size_t i) { return static_cast<unsigned char>(bytes[i]); };
    const auto within = [&](std::size_t i, unsigned low, unsigned high) {
        return i < bytes.size() && at(i) >= low && at(i) <= high;
    };
    const unsigned first = at(0);
    if (first < 0x80) return 1;
    if (first >= 0xC2 && first <= 0xDF) return within(1, 0x80, 0xBF) ? 2 : 0;
    if (first >= 0xE0 && first <= 0xEF) {
        const bool second = within(1, first == 0xE0 ? 0xA0 : 0x80, first == 0xED ? 0x9F : 0xBF);
        return second && within(2, 0x80, 0xBF) ? 3 : 0;
    }
    if (first >= 0xF0 && first <= 0xF4) {
        const bool second = within(1, first == 0xF0 ? 0x90 : 0x80, first == 0xF4 ? 0x8F : 0xBF);
        return second && within(2, 0x80, 0xBF) && within(3, 0x80, 0xBF) ? 4 : 0;
    }
    return 0;
}

bool is_utf8(std::string_view bytes) {
    while (!bytes.empty()) {
        const std::size_t length = utf8_sequence_length(bytes);
        if (length == 0) return false;
        bytes.remove_prefix(length);
    }
    return true;
}

bool depth_is_bounded(std::string_view text) {
    int depth = 0;
    bool in_string = false;
    for (std::size_t i = 0; i < text.size(); ++i) {
        const char c = text[i];
        if (in_string) {
            if (c == '\\') ++i;
            if (c == '"') in_string = false;
        } else if (c == '"') {
            in_string = true;
        } else if (c == '[' || c == '{') {
            if (++depth > json_depth_max) return false;
        } else if (c == ']' || c == '}') {
            --depth;
        }
    }
    return true;
}

Error json_error_at(std::string_view text, std::size_t byte) {
    if (byte > text.size()) return {"it ends too early, after byte " + std::to_string(text.size()) + "."};
    const std::size_t from = byte > 12 ? byte - 12 : 0;
    return {"it goes wrong at byte " + std::to_string(byte) + ", near \"" + excerpt(text.substr(from, 24)) +
            "\"."};
}

Result<nlohmann::json> parse_json(std::string_view text) {
    if (!depth_is_bounded(text)) {
        return fail("its arrays and objects are nested more than " + std::to_string(json_depth_max) +
                    " levels deep.");
    }
    auto parsed = nlohmann::json::parse(text, nullptr, false);
    if (!parsed.is_discarded()) return parsed;
    ErrorFinder finder;
    nlohmann::json::sax_parse(text, &finder);
    return tl::unexpected<Error>(json_error_at(text, finder.error_at));
}

std::string excerpt(std::string_view text) {
    constexpr std::size_t most = 40;
    std::string shown(text.substr(0, most));
    std::replace_if(
        shown.begin(), shown.end(), [](char c) { return c < 0x20 || c > 0x7E; }, '?');
    if (text.size() > most) shown += "…";
    return shown;
}

}  // namespace tickledger
