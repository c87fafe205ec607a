// Explains the words of the trade and of this program, from docs/glossary.md.
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

/// All words, in the order of the source.
[[nodiscard]] const std::vector<Explained>& glossary();

/// The explanation of a word, in any case; "pulse-value" and "presets" are found too. Null if there is none.
[[nodiscard]] const Explained* explain(std::string_view word);

}  // namespace tickledger
