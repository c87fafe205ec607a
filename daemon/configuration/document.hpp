// A TOML document as plain values, each with its place. Only document.cpp knows the TOML library.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

#include "configuration/mistakes.hpp"

namespace tickledger::toml_file {

enum class Kind : std::uint8_t { text, whole_number, decimal_number, truth, date_or_time, list, table };

struct Member;

/// One value; which of the fields counts is said by `kind`.
struct Value {
    Kind kind = Kind::table;
    Place place;
    std::string text;
    std::int64_t number = 0;
    bool truth = false;
    std::vector<Value> items;
    /// In the order of the file.
    std::vector<Member> members;

    /// The member of a table with that key, or nullptr.
    [[nodiscard]] const Value* find(std::string_view key) const;
};

struct Member {
    std::string key;
    Place place;
    Value value;
};

/// What a kind is called in a sentence: "a whole number".
[[nodiscard]] std::string_view name_of(Kind kind);

/// Reads a whole document into its root table. A syntax error becomes a mistake and leaves an empty table:
/// the grammar gives no safe place to go on from. Never throws on what the text holds.
[[nodiscard]] Value parse_document(std::string_view text, Mistakes& mistakes);

/// A text as a TOML basic string, in quotes, everything in it escaped that has to be.
[[nodiscard]] std::string toml_text(std::string_view text);

}  // namespace tickledger::toml_file
