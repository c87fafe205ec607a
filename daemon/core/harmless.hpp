// Makes text from outside (topics, payloads, names) safe to show to a person: a terminal obeys control
// characters.
#pragma once

#include <string>
#include <string_view>

namespace tickledger {

/// The text with every character that a terminal obeys written as its code, `\u001b`. These are the control
/// characters C0, DEL and C1 (ECMA-48), including newlines; the separators of lines and paragraphs (U+2028,
/// U+2029); and the marks that turn the direction of writing (Unicode UAX #9). A byte that is not UTF-8
/// becomes `\x9b`. Everything else stays.
[[nodiscard]] std::string harmless_text(std::string_view text);

}  // namespace tickledger
