// The words of the trade and of this program, explained: docs/glossary.md is their source.
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace tickledger {

struct Explained {
    std::string word;
    std::string text;
};

/// All of them, in the order of their source.
[[nodiscard]] const std::vector<Explained>& glossary();

/// The explanation of a word, whatever its case; "pulse-value" and "presets" are found too. Null: there is
/// none.
[[nodiscard]] const Explained* explain(std::string_view word);

}  // namespace tickledger
