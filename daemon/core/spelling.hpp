// What a mistyped word was probably meant to be.
#pragma once

#include <optional>
#include <string_view>
#include <vector>

namespace tickledger {

/// The fewest letters to add, leave out, change or swap with their neighbour to make one word the other
/// (optimal string alignment distance).
[[nodiscard]] std::size_t edit_distance(std::string_view a, std::string_view b);

/// The nearest of the words, if it is near enough to be what was meant: at most a third of its letters
/// differ. In a word of four letters or more, two may always differ.
[[nodiscard]] std::optional<std::string_view> nearest(std::string_view word,
                                                      const std::vector<std::string_view>& words);

}  // namespace tickledger
