// A request and a response as plain values, so that the calls do not depend on sockets or the HTTP library.
#pragma once

#include <cstdint>
#include <functional>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "tickledger/result.hpp"

namespace tickledger {

/// Whether what was accepted before a request came is booked, so that it can be seen.
enum class SeesAccepted : std::uint8_t {
    not_yet,    ///< Whoever answers waits for it.
    ask_again,  ///< Whoever answers does not wait: it says Response::is_to_wait, and is asked again then.
    yes,
};

struct Request {
    std::string method = "GET";
    /// Percent-decoded, without the query: "/v1/meters/house/usage".
    std::string path = "/";
    /// Names and values in the order of the request, percent-decoded. A "+" is a plus (RFC 3986), as in
    /// "2026-03-01T08:00:00+01:00".
    std::vector<std::pair<std::string, std::string>> query;
    std::string content_type;
    /// The If-None-Match field: what the client has kept of an earlier answer.
    std::string if_none_match;
    std::string body;
    /// By whose token it was asked: the name of a tenant; empty: by none, or by that of the whole house.
    std::string tenant;
    SeesAccepted sees_accepted = SeesAccepted::not_yet;
};

/// Appends the next part of a body to `chunk`; true: there is more. Called on the server's thread, once the
/// part before it has been taken by the client. An error in the first part becomes a problem (status 500);
/// later the connection is cut, so that the client sees that the answer is not whole.
using ChunkProducer = std::function<Result<bool>(std::string& chunk)>;

/// Gives an answer that goes on until the client leaves: appends what is new since the call before; nothing
/// new: it appends nothing. Called on the server's thread at once, after HttpServer::wake and every few
/// seconds, but only once the client has taken what was before. An error cuts the connection.
using NewsProducer = std::function<Result<void>(std::string& chunk)>;

struct Response {
    unsigned status = 200;
    std::string content_type = "application/json";
    std::string body;
    /// Where it is set, it gives the body, and `body` does not count.
    ChunkProducer chunks;
    /// Where it is set, the answer has no end, and neither `body` nor `chunks` counts.
    NewsProducer news;
    /// Further fields, among them Cache-Control where the answer may be kept; else none may.
    std::vector<std::pair<std::string, std::string>> fields;
    /// No answer yet: the request is to come again once what was accepted is booked. Nothing was changed.
    bool is_to_wait = false;
    /// The methods that a call knows: the Allow field of a 405.
    std::string allow;
};

using Handler = std::function<Response(const Request&)>;

/// An answer in application/problem+json (RFC 9457): `type` is about:blank, so the title is the status's own
/// phrase; `detail` says in a sentence what is wrong and what to do.
[[nodiscard]] Response problem(unsigned status, std::string_view detail);

/// Splits a request target (RFC 9112 section 3.2.1, origin form) into path and query and decodes them.
/// Fails on a target that does not begin with "/" and on a broken percent code.
[[nodiscard]] Result<Request> read_target(std::string_view target);

}  // namespace tickledger
