#include "serve/access.hpp"

#include <arpa/inet.h>
#include <fmt/format.h>
#include <netinet/in.h>
#include <openssl/crypto.h>

#include <algorithm>
#include <cctype>
#include <optional>

#include "configuration/secret.hpp"
#include "core/base64.hpp"

namespace tickledger {

namespace {

constexpr std::size_t token_min_length = 16;

/// The WWW-Authenticate field of a 401 (RFC 9110, section 11.6.1).
constexpr std::string_view authentication_asked =
    R"(Basic realm="Tickledger", charset="UTF-8", Bearer realm="Tickledger")";

std::string lower(std::string_view text) {
    std::string small(text);
    for (char& c : small)
        if (c >= 'A' && c <= 'Z') c = static_cast<char>(c - 'A' + 'a');
    return small;
}

bool is_name_character(char c) {
    return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') || c == '-' ||
           c == '.' || c == '_';
}

/// The host of a Host field, an IPv6 address with its brackets; nothing if it is not a valid field.
std::optional<std::string_view> host_of(std::string_view field) {
    std::size_t end = 0;
    if (field.starts_with('[')) {
        end = field.find(']');
        if (end == std::string_view::npos) return std::nullopt;
        in6_addr address{};
        if (::inet_pton(AF_INET6, std::string(field.substr(1, end - 1)).c_str(), &address) != 1)
            return std::nullopt;
        ++end;
    } else {
        while (end < field.size() && is_name_character(field[end]))
            ++end;
        if (end == 0) return std::nullopt;
    }
    std::string_view port = field.substr(end);
    if (!port.empty() && port.front() != ':') return std::nullopt;
    if (!port.empty()) port.remove_prefix(1);
    const bool is_port = port.size() <= 5 &&
                         std::all_of(port.begin(), port.end(), [](char c) { return c >= '0' && c <= '9'; });
    return is_port ? std::optional(field.substr(0, end)) : std::nullopt;
}

/// The text after the scheme, which is matched in either case (RFC 9110, section 11.1).
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

/// Compares in constant time. Only the length shows in the time taken, not the characters.
bool is_same(std::string_view a, std::string_view b) {
    return a.size() == b.size() && CRYPTO_memcmp(a.data(), b.data(), a.size()) == 0;
}

/// No form of another site can send this type without the browser asking the server first (Fetch standard,
/// "CORS-safelisted request-header").
bool is_json(std::string_view content_type) {
    const auto end = std::min(content_type.find_first_of("; \t"), content_type.size());
    return lower(content_type.substr(0, end)) == "application/json";
}

/// A page of another site that is open in a browser of this machine can send requests, but must not change
/// anything. The browser says in Origin whose page it is (Fetch standard, section 3.2). Without an Origin the
/// request must be one that no form can send.
std::optional<Response> refusal_of_change(const Caller& caller) {
    if (caller.method == "GET" || caller.method == "HEAD") return std::nullopt;
    if (caller.origins > 0) {
        const std::string host = lower(caller.host);
        const std::string origin = lower(caller.origin);
        if (caller.origins == 1 && (origin == "http://" + host || origin == "https://" + host))
            return std::nullopt;
        return problem(403, "Pages of other sites may not change anything here.");
    }
    if (caller.method != "POST" || is_json(caller.content_type) ||
        credentials(caller.authorization, "bearer")) {
        return std::nullopt;
    }
    return problem(
        403,
        "Over TCP a POST needs \"Content-Type: application/json\", or the Origin of this page, or a bearer "
        "token. A form on another site has none of these.");
}

}  // namespace

Result<std::string> read_token(const std::string& file, std::string_view option) {
    auto token = read_secret(file, "token", option);
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

const TenantToken* tenant_shown(std::string_view authorization, const std::vector<TenantToken>& tenants) {
    for (const TenantToken& one : tenants) {
        if (shows_token(authorization, one.token)) return &one;
    }
    return nullptr;
}

std::optional<bool> names_loopback(std::string_view host) {
    const auto name = host_of(host);
    if (!name) return std::nullopt;
    if (lower(*name) == "localhost") return true;
    if (name->starts_with('[')) {
        in6_addr address{};
        ::inet_pton(AF_INET6, std::string(name->substr(1, name->size() - 2)).c_str(), &address);
        return IN6_IS_ADDR_LOOPBACK(&address);
    }
    in_addr address{};
    return ::inet_pton(AF_INET, std::string(*name).c_str(), &address) == 1 &&
           ntohl(address.s_addr) >> 24 == 127;
}

std::optional<Response> refusal_of(const Caller& caller, std::string_view token) {
    // RFC 9112 section 3.2: a request of HTTP/1.1 without Host, or with two, is answered 400.
    if (caller.host.empty() && caller.must_name_host) return problem(400, "The request has no Host field.");
    if (caller.hosts > 1) return problem(400, "The request has more than one Host field.");
    if (caller.is_local) return std::nullopt;
    const auto is_loopback = names_loopback(caller.host);
    if (!is_loopback && !caller.host.empty())
        return problem(400, "The request's Host field is not a host and port.");
    if (!token.empty() && !shows_token(caller.authorization, token)) {
        Response refusal =
            problem(401, "Send the token of [socket] token_file as a bearer token or as a password.");
        refusal.fields.emplace_back("WWW-Authenticate", authentication_asked);
        return refusal;
    }
    if (token.empty() && !is_loopback.value_or(false)) {
        return problem(421, "Over TCP only requests to localhost, 127.0.0.1 or [::1] are answered.");
    }
    return refusal_of_change(caller);
}

}  // namespace tickledger
