// Who may call over TCP where a token is asked for.
#pragma once

#include <string>
#include <string_view>

#include "tickledger/result.hpp"

namespace tickledger {

/// The token of `[socket] token_file`: its first line. Fewer than 16 characters are refused: they can be
/// guessed. (NIST SP 800-63B, 5.1.1.2 asks for at least 8 that a person chooses; a token is not typed daily.)
[[nodiscard]] Result<std::string> read_token(const std::string& file);

/// Whether an Authorization field shows the token: as "Bearer TOKEN" (RFC 6750, section 2.1), or as the
/// password of "Basic …" (RFC 7617), which every browser asks for; the user's name does not count.
[[nodiscard]] bool shows_token(std::string_view authorization, std::string_view token);

/// The field WWW-Authenticate of a 401 (RFC 9110, section 11.6.1).
inline constexpr std::string_view authentication_asked =
    R"(Basic realm="Tickledger", charset="UTF-8", Bearer realm="Tickledger")";

}  // namespace tickledger
