// Texts taken apart at one character.
#pragma once

#include <string_view>
#include <vector>

namespace tickledger {

/// The parts between the separators, empty ones too: always one more than there are separators. They live as
/// long as the text.
[[nodiscard]] std::vector<std::string_view> split(std::string_view text, char separator);

}  // namespace tickledger
