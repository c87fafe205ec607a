// Splits texts at one character.
#pragma once

#include <string_view>
#include <vector>

namespace tickledger {

/// The parts between the separators, including empty ones: always one more than there are separators. They
/// point into the text.
[[nodiscard]] std::vector<std::string_view> split(std::string_view text, char separator);

}  // namespace tickledger
