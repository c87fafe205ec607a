#include "configuration/document.hpp"

#include <fmt/format.h>
#include <toml++/toml.h>

#include <algorithm>
#include <utility>

namespace tickledger::toml_file {

namespace {

Place place_of(const toml::source_region& region) {
    return {static_cast<unsigned>(region.begin.line), static_cast<unsigned>(region.begin.column)};
}

Value convert(const toml::node& node);

std::vector<Member> members_of(const toml::table& table) {
    std::vector<Member> members;
    members.reserve(table.size());
    for (const auto& [key, node] : table) {
        members.push_back({std::string{key.str()}, place_of(key.source()), convert(node)});
    }
    // The library sorts a table by key, but mistakes and meters are reported in the order of the file.
    std::stable_sort(members.begin(), members.end(), [](const Member& a, const Member& b) {
        return std::pair{a.place.line, a.place.column} < std::pair{b.place.line, b.place.column};
    });
    return members;
}

Value convert(const toml::node& node) {
    Value value;
    value.place = place_of(node.source());
    if (const auto* table = node.as_table()) {
        value.kind = Kind::table;
        value.members = members_of(*table);
    } else if (const auto* array = node.as_array()) {
        value.kind = Kind::list;
        value.items.reserve(array->size());
        for (const auto& item : *array)
            value.items.push_back(convert(item));
    } else if (const auto* text = node.as_string()) {
        value.kind = Kind::text;
        value.text = text->get();
    } else if (const auto* number = node.as_integer()) {
        value.kind = Kind::whole_number;
        value.number = number->get();
    } else if (const auto* truth = node.as_boolean()) {
        value.kind = Kind::truth;
        value.truth = truth->get();
    } else {
        value.kind = node.is_floating_point() ? Kind::decimal_number : Kind::date_or_time;
    }
    return value;
}

/// Line `number` of a text, counted from 1; empty if there is no such line.
std::string_view line_of(std::string_view text, unsigned number) {
    for (; number > 1; --number) {
        const auto end = text.find('\n');
        if (end == std::string_view::npos) return {};
        text.remove_prefix(end + 1);
    }
    return text.substr(0, text.find('\n'));
}

std::string_view trimmed(std::string_view text) {
    const auto begin = text.find_first_not_of(" \t\r");
    if (begin == std::string_view::npos) return {};
    return text.substr(begin, text.find_last_not_of(" \t\r") + 1 - begin);
}

/// The sentence for missing quotes, as in `topic = nodes/house`, the most common first mistake. Empty if the
/// mistake is another one.
std::string about_missing_quotes(std::string_view line) {
    const auto sign = line.find('=');
    if (sign == std::string_view::npos) return {};
    const std::string_view key = trimmed(line.substr(0, sign));
    std::string_view value = trimmed(line.substr(sign + 1));
    value = trimmed(value.substr(0, value.find(" #")));
    const auto is_word = [](char c) {
        return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || c == '/' || c == '+';
    };
    if (key.empty() || value.empty() || !is_word(value.front()) || value.find('"') != std::string_view::npos)
        return {};
    for (const std::string_view plain : {"true", "false", "inf", "nan", "+inf", "+nan"})
        if (value == plain) return {};
    return fmt::format(
        "`{0}` needs quotes around its value. Write {0} = \"{1}\" and check again; nothing below this line "
        "was read.",
        key, value);
}

/// The sentence for a text whose closing quote is missing, as in `topic = "nodes/house`. Empty if the mistake
/// is another one.
std::string about_unclosed_quote(std::string_view line) {
    bool is_open = false;
    for (std::size_t i = 0; i < line.size() && (is_open || line[i] != '#'); ++i) {
        if (is_open && line[i] == '\\')
            ++i;
        else if (line[i] == '"')
            is_open = !is_open;
    }
    const auto sign = line.find('=');
    if (!is_open || sign == std::string_view::npos) return {};
    return fmt::format(
        "`{}` lacks a closing quote (\"). Write it and check again; nothing below this line was read.",
        trimmed(line.substr(0, sign)));
}

}  // namespace

const Value* Value::find(std::string_view key) const {
    const auto found = std::find_if(members.begin(), members.end(),
                                    [key](const Member& member) { return member.key == key; });
    return found == members.end() ? nullptr : &found->value;
}

std::string_view name_of(Kind kind) {
    switch (kind) {
        case Kind::text:
            return "a text";
        case Kind::whole_number:
            return "a whole number";
        case Kind::decimal_number:
            return "a decimal number";
        case Kind::truth:
            return "true or false";
        case Kind::date_or_time:
            return "a date or time";
        case Kind::list:
            return "a list";
        case Kind::table:
            return "a table";
    }
    return "a value";
}

Value parse_document(std::string_view text, Mistakes& mistakes) {
    try {
        return convert(toml::parse(text));
    } catch (const toml::parse_error& error) {
        const Place place = place_of(error.source());
        const std::string_view line = line_of(text, place.line);
        for (const auto about : {about_missing_quotes, about_unclosed_quote}) {
            std::string quotes = about(line);
            if (quotes.empty()) continue;
            mistakes.add(place, std::move(quotes));
            return {};
        }
        mistakes.add(place,
                     fmt::format("this is not TOML: {}. Correct it and check again; nothing below this line "
                                 "was read.",
                                 error.description()));
    }
    return {};
}

std::string toml_text(std::string_view text) {
    std::string out = "\"";
    for (const char c : text) {
        if (c == '"' || c == '\\') {
            out += '\\';
            out += c;
        } else if (static_cast<unsigned char>(c) < 0x20 || c == 0x7f) {
            out += fmt::format("\\u{:04X}", static_cast<unsigned char>(c));
        } else {
            out += c;
        }
    }
    return out += '"';
}

}  // namespace tickledger::toml_file
