// Access control: who may call the API, and over which socket.
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "serve/http_message.hpp"
#include "tickledger/result.hpp"

namespace tickledger {

/// A token that may read some meters, and the name of the tenant it was given to.
struct TenantToken {
    std::string tenant;
    std::string token;
};

/// Reads a token: the first line of `[socket] token_file`, or of another named option. Fails if it has fewer
/// than 16 characters, because it could be guessed. (NIST SP 800-63B, 5.1.1.2 asks for at least 8 that a
/// person chooses; a token is not typed daily.)
[[nodiscard]] Result<std::string> read_token(const std::string& file,
                                             std::string_view option = "socket.token_file");

/// Whether an Authorization field contains the token: as "Bearer TOKEN" (RFC 6750, section 2.1), or as the
/// password of "Basic …" (RFC 7617), which every browser asks for. The user name of Basic is ignored.
[[nodiscard]] bool shows_token(std::string_view authorization, std::string_view token);

/// What the request's header tells about the caller.
struct Caller {
    bool is_local = false;       ///< Came over the local socket; its file mode decides who may.
    bool must_name_host = true;  ///< HTTP/1.1.
    std::string_view method = "GET";
    std::size_t hosts = 1;  ///< Number of Host fields.
    std::size_t origins = 0;
    std::string_view host;
    std::string_view origin;
    std::string_view authorization;
    std::string_view content_type;
};

/// The tenant whose token the field contains, or null.
[[nodiscard]] const TenantToken* tenant_shown(std::string_view authorization,
                                              const std::vector<TenantToken>& tenants);

/// Whether a Host field (RFC 9112, section 3.2: a host and optionally a port) names this machine: localhost,
/// an address of 127.0.0.0/8 or [::1]. No other site can be bound to these. Empty if it is not a valid Host
/// field.
[[nodiscard]] std::optional<bool> names_loopback(std::string_view host);

/// The response that refuses the caller, or nothing if the request may be answered. `token`: what callers
/// over TCP must show. If it is empty they need none, but then only requests to a loopback name of this
/// machine are answered. docs/security.md explains each rule.
[[nodiscard]] std::optional<Response> refusal_of(const Caller& caller, std::string_view token);

}  // namespace tickledger
