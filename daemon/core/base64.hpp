// Base64 with padding, without line breaks (RFC 4648, section 4).
#pragma once

#include <optional>
#include <string>
#include <string_view>

namespace tickledger {

[[nodiscard]] std::string to_base64(std::string_view bytes);

/// Nothing if the text is not base64: its length is not a multiple of four, it has a foreign character, or it
/// has padding anywhere but at the end.
[[nodiscard]] std::optional<std::string> from_base64(std::string_view text);

}  // namespace tickledger
