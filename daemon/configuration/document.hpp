// A TOML document as plain values, each with its place. Only document.cpp uses the TOML library.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

#include "configuration/mistakes.hpp"

namespace tickledger::toml_file {

enum class Kind : std::uint8_t { text, whole_number, decimal_number, truth, date_or_time, list, table };

struct Member;

/// One value. `kind` says which of the fields is set.
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

/// The name of a kind for a sentence: "a whole number".
[[nodiscard]] std::string_view name_of(Kind kind);

/// Parses a document into its root table. A syntax error becomes a mistake and leaves an empty table, because
/// parsing cannot safely resume after it. Never throws, whatever the text contains.
[[nodiscard]] Value parse_document(std::string_view text, Mistakes& mistakes);

/// The text as a TOML basic string, quoted and escaped.
[[nodiscard]] std::string toml_text(std::string_view text);

}  // namespace tickledger::toml_file
