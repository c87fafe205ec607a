// Parses JSON from outside: bounded in depth, checked for UTF-8, never throws.
#pragma once

#include <nlohmann/json_fwd.hpp>
#include <string>
#include <string_view>

#include "tickledger/result.hpp"

namespace tickledger {

/// How deep arrays and objects from outside may be nested.
inline constexpr int json_depth_max = 64;

/// The length in bytes of the well-formed UTF-8 sequence (RFC 3629, section 4) that begins the bytes; 0 if
/// there is none. Precondition: not empty.
[[nodiscard]] std::size_t utf8_sequence_length(std::string_view bytes);

/// True if the bytes are well-formed UTF-8 (RFC 3629: no overlong forms, no surrogates).
[[nodiscard]] bool is_utf8(std::string_view bytes);

/// True if arrays and objects are nested at most `json_depth_max` deep. Looks at brackets only, so that a
/// hostile text is refused before anything is built from it.
[[nodiscard]] bool depth_is_bounded(std::string_view text);

/// Parses a whole JSON text. The error gives the byte where it goes wrong and quotes the text there.
[[nodiscard]] Result<nlohmann::json> parse_json(std::string_view text);

/// The error for a text that stops being JSON at a byte (counted from 1).
[[nodiscard]] Error json_error_at(std::string_view text, std::size_t byte);

/// Up to 40 bytes of a text for an error: printable ASCII as it is, everything else as "?", and "…" if
/// something was left out. Safe to show and to store, whatever the text holds.
[[nodiscard]] std::string excerpt(std::string_view text);

}  // namespace tickledger
