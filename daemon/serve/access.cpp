#include "serve/access.hpp"

#include <fmt/format.h>
#include <openssl/crypto.h>
#include <openssl/evp.h>

#include <algorithm>
#include <cctype>
#include <optional>
#include <vector>

#include "configuration/secret.hpp"

namespace tickledger {

namespace {

constexpr std::size_t token_min_length = 16;

/// What follows the scheme, whose letters may be large or small (RFC 9110, section 11.1).
std::optional<std::string_view> credentials(std::string_view authorization, std::string_view scheme) {
    const bool is_scheme =
        authorization.size() > scheme.size() && authorization[scheme.size()] == ' ' &&
        std::equal(scheme.begin(), scheme.end(), authorization.begin(), [](char a, char b) {
            return a == static_cast<char>(std::tolower(static_cast<unsigned char>(b)));
        });
    if (!is_scheme) return std::nullopt;
    authorization.remove_prefix(scheme.size());
    authorization.remove_prefix(std::min(authorization.find_first_not_of(' '), authorization.size()));
    return authorization;
}

/// The length shows in the time taken; the characters do not.
bool is_same(std::string_view a, std::string_view b) {
    return a.size() == b.size() && CRYPTO_memcmp(a.data(), b.data(), a.size()) == 0;
}

/// Nothing where it is no base64 (RFC 4648, section 4).
std::optional<std::string> from_base64(std::string_view text) {
    if (text.empty() || text.size() % 4 != 0) return std::nullopt;
    std::vector<unsigned char> bytes(text.size() / 4 * 3);
    const int length = EVP_DecodeBlock(bytes.data(), reinterpret_cast<const unsigned char*>(text.data()),
                                       static_cast<int>(text.size()));
    if (length < 0) return std::nullopt;
    const auto padding = static_cast<std::size_t>(text.ends_with("==") ? 2 : text.ends_with('=') ? 1 : 0);
    return std::string(bytes.begin(), bytes.begin() + length - static_cast<std::ptrdiff_t>(padding));
}

}  // namespace

Result<std::string> read_token(const std::string& file) {
    auto token = read_secret(file, "token", "socket.token_file");
    if (!token || token->size() >= token_min_length) return token;
    return fail(fmt::format(
        "the token in {} has {} characters, which can be guessed; write at least {}, for example with "
        "`openssl rand -hex 16`",
        file, token->size(), token_min_length));
}

bool shows_token(std::string_view authorization, std::string_view token) {
    if (const auto bearer = credentials(authorization, "bearer")) return is_same(*bearer, token);
    const auto basic = credentials(authorization, "basic");
    const auto name_and_password = basic ? from_base64(*basic) : std::nullopt;
    if (!name_and_password) return false;
    const auto colon = name_and_password->find(':');
    return colon != std::string::npos &&
           is_same(std::string_view(*name_and_password).substr(colon + 1), token);
}

}  // namespace tickledger
