// The two most common kinds of option: a quoted text that a function parses, and a whole number.
#pragma once

#include <fmt/format.h>

#include <filesystem>
#include <limits>
#include <optional>
#include <string>
#include <string_view>

#include "configuration/options.hpp"
#include "tickledger/draw.hpp"

namespace tickledger {

inline void add_wrong_kind(const toml_file::Value& value, std::string_view key, std::string_view wanted,
                           std::string_view example, Mistakes& mistakes) {
    mistakes.add(value.place, fmt::format("`{0}` must be {1}, but it is {2}. Write {0} = {3}.", key, wanted,
                                          toml_file::name_of(value.kind), example));
}

/// The result of `parse` for a text, or nothing and a mistake. `example` is TOML: the whole value of the key.
template <typename T>
std::optional<T> read_text(const toml_file::Value& value, std::string_view key, std::string_view example,
                           Result<T> (*parse)(std::string_view), Mistakes& mistakes) {
    if (value.kind != toml_file::Kind::text) {
        add_wrong_kind(value, key, "a text in quotes", example, mistakes);
        return std::nullopt;
    }
    auto read = parse(value.text);
    if (read) return std::move(*read);
    mistakes.add(value.place, fmt::format("`{}`: {}", key, read.error().text));
    return std::nullopt;
}

inline std::string print(const std::string& text) {
    return text;
}
inline std::string print(const std::filesystem::path& path) {
    return path.string();
}
inline std::string print(Duration duration) {
    return format_duration(duration);
}
inline std::string print(MessageForm form) {
    switch (form) {
        case MessageForm::counter:
            return "counter";
        case MessageForm::pulses:
            return "pulses";
        case MessageForm::senml:
            return "senml";
        case MessageForm::volume:
            return "volume";
    }
    return "counter";
}

inline std::string print(AlarmKind kind) {
    return std::string{name_of(kind)};
}
inline std::string print(DrawLabel use) {
    return std::string{name_of(use)};
}

/// An option that is a text in quotes. `example`, a text without quotes, is shown if the value is of another
/// kind.
template <typename Settings, typename T>
Option<Settings> text_option(
    std::string_view key, T Settings::*member, std::string_view example, Result<T> (*parse)(std::string_view),
    std::string (*print_text)(const T&) = [](const T& value) { return print(value); }) {
    return {key,
            [=](const toml_file::Value& value, Settings& settings, Mistakes& mistakes) {
                if (auto read = read_text(value, key, toml_file::toml_text(example), parse, mistakes))
                    settings.*member = std::move(*read);
            },
            [=](const Settings& settings) { return toml_file::toml_text(print_text(settings.*member)); }};
}

template <typename Settings, typename T>
Option<Settings> whole_number_option(std::string_view key, T Settings::*member, std::int64_t least,
                                     std::int64_t most) {
    return {key,
            [=](const toml_file::Value& value, Settings& settings, Mistakes& mistakes) {
                if (value.kind != toml_file::Kind::whole_number) {
                    add_wrong_kind(value, key, "a whole number without quotes",
                                   fmt::to_string(settings.*member), mistakes);
                } else if (value.number < least || value.number > most) {
                    const std::string range = most == std::numeric_limits<std::int64_t>::max()
                                                  ? fmt::format("{} or more", least)
                                                  : fmt::format("from {} to {}", least, most);
                    mistakes.add(value.place, fmt::format("`{}` is {} here. Write a whole number, {}.", key,
                                                          value.number, range));
                } else {
                    settings.*member = static_cast<T>(value.number);
                }
            },
            [=](const Settings& settings) { return fmt::to_string(settings.*member); }};
}

}  // namespace tickledger
