// Access control: who may call the API, and over which socket.
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "serve/http_message.hpp"
#include "tickledger/result.hpp"

namespace tickledger {

/// A token that reads some meters, by the name of whom it was given to.
struct TenantToken {
    std::string tenant;
    std::string token;
};

/// The token of `[socket] token_file`, or of another option that is named: its first line. Fewer than 16
/// characters are refused: they can be guessed. (NIST SP 800-63B, 5.1.1.2 asks for at least 8 that a person
/// chooses; a token is not typed daily.)
[[nodiscard]] Result<std::string> read_token(const std::string& file,
                                             std::string_view option = "socket.token_file");

/// Whether an Authorization field shows the token: as "Bearer TOKEN" (RFC 6750, section 2.1), or as the
/// password of "Basic …" (RFC 7617), which every browser asks for; the user's name does not count.
[[nodiscard]] bool shows_token(std::string_view authorization, std::string_view token);

/// The caller, as far as the request's header tells.
struct Caller {
    bool is_local = false;       ///< Over the socket that has a file: its mode says who may.
    bool must_name_host = true;  ///< HTTP/1.1.
    std::string_view method = "GET";
    std::size_t hosts = 1;  ///< How many fields Host.
    std::size_t origins = 0;
    std::string_view host;
    std::string_view origin;
    std::string_view authorization;
    std::string_view content_type;
};

/// Whose token it shows; null: none of these.
[[nodiscard]] const TenantToken* tenant_shown(std::string_view authorization,
                                              const std::vector<TenantToken>& tenants);

/// Whether a Host field (RFC 9112, section 3.2: a host and, maybe, a port) names this machine: localhost, an
/// address of 127.0.0.0/8 or [::1]. No other site can be bound to these. Nothing where it is no such field.
[[nodiscard]] std::optional<bool> names_loopback(std::string_view host);

/// Why the caller is not answered, or nothing where it is. `token`: what callers over TCP must show; empty:
/// nothing, but then only those are answered that call this machine by a loopback name. docs/security.md says
/// what each rule is for.
[[nodiscard]] std::optional<Response> refusal_of(const Caller& caller, std::string_view token);

}  // namespace tickledger
