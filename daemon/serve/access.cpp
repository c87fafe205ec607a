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

/// The field WWW-Authenticate of a 401 (RFC 9110, section 11.6.1).
constexpr std::string_view authentication_asked =
    R"(Basic realm="Tickledger", charset="UTF-8", Bearer realm="Tickledger")";

/// A page in a browser can be made to speak to any address under a name of its own ("DNS rebinding"); the
/// name then stands in Host. Only names that mean this machine are served over TCP.
bool names_loopback(std::string_view host) {
    const auto name =
        host.starts_with('[') ? host.substr(0, host.find(']') + 1) : host.substr(0, host.find(':'));
    return name == "localhost" || name == "[::1]" || name.starts_with("127.");
}

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

std::optional<Response> refusal_of(const Caller& caller, std::string_view token) {
    // RFC 9112 section 3.2: a request of HTTP/1.1 without Host is answered 400.
    if (caller.host.empty() && caller.must_name_host) return problem(400, "The request has no Host field.");
    if (caller.is_local) return std::nullopt;
    if (!token.empty() && !shows_token(caller.authorization, token)) {
        Response refusal =
            problem(401, "Show the token of [socket] token_file, as a bearer token or as a password.");
        refusal.fields.emplace_back("WWW-Authenticate", authentication_asked);
        return refusal;
    }
    if (token.empty() && !names_loopback(caller.host)) {
        return problem(421, "Over TCP only requests to localhost, 127.0.0.1 or [::1] are answered.");
    }
    // A page of another site, open in a browser of this machine, can send but must not change anything. The
    // browser tells whose page it is (Fetch standard, section 3.2).
    const std::string host(caller.host);
    const bool is_own = caller.origin == "http://" + host || caller.origin == "https://" + host;
    if (!caller.only_asks && !caller.origin.empty() && !is_own) {
        return problem(403, "Pages of other sites may not change anything here.");
    }
    return std::nullopt;
}

}  // namespace tickledger
