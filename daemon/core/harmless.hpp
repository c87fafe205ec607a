// What strangers wrote (topics, payloads, names), before a person sees it: a terminal obeys control
// characters.
#pragma once

#include <string>
#include <string_view>

namespace tickledger {

/// The text with what a terminal obeys written as its code, `\u001b`: the control characters C0, DEL and C1
/// (ECMA-48), newlines among them, the separators of lines and paragraphs (U+2028, U+2029), and the marks
/// that turn the direction of writing (Unicode UAX #9). A byte that is not UTF-8 becomes `\x9b`. All else
/// stays.
[[nodiscard]] std::string harmless_text(std::string_view text);

}  // namespace tickledger
