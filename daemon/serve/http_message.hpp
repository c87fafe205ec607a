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

/// Whether everything accepted before a request is booked and visible to it.
enum class SeesAccepted : std::uint8_t {
    not_yet,    ///< The handler waits until it is.
    ask_again,  ///< The handler must not wait. It returns Response::is_to_wait and is called again.
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
    /// The If-None-Match field: the tags of the answers that the client has kept.
    std::string if_none_match;
    std::string body;
    /// The name of the tenant whose token was shown; empty: no token, or that of the whole house.
    std::string tenant;
    SeesAccepted sees_accepted = SeesAccepted::not_yet;
};

/// Appends the next part of a body to `chunk`; returns true if there is more. Called on the server's thread
/// once the client has taken the previous part. An error in the first part becomes a problem (status 500). A
/// later error cuts the connection, so that the client sees that the answer is incomplete.
using ChunkProducer = std::function<Result<bool>(std::string& chunk)>;

/// Gives an answer that continues until the client leaves: appends what is new since the previous call, or
/// nothing. Called on the server's thread at once, after HttpServer::wake and every few seconds, but only
/// after the client has taken what was sent before. An error cuts the connection.
using NewsProducer = std::function<Result<void>(std::string& chunk)>;

struct Response {
    unsigned status = 200;
    std::string content_type = "application/json";
    std::string body;
    /// If set, it gives the body, and `body` is ignored.
    ChunkProducer chunks;
    /// If set, the answer has no end, and `body` and `chunks` are ignored.
    NewsProducer news;
    /// Further header fields. Without a Cache-Control among them the answer may not be stored.
    std::vector<std::pair<std::string, std::string>> fields;
    /// True if there is no answer yet: repeat the request once everything accepted is booked. Nothing was
    /// changed.
    bool is_to_wait = false;
    /// The methods of the path, for the Allow field of a 405.
    std::string allow;
};

using Handler = std::function<Response(const Request&)>;

/// An answer in application/problem+json (RFC 9457). `type` is about:blank, so the title is the phrase of the
/// status; `detail` says in a sentence what is wrong and what to do.
[[nodiscard]] Response problem(unsigned status, std::string_view detail);

/// The host and port of a target in absolute form (RFC 9112 section 3.2.2); empty in origin form.
[[nodiscard]] std::string_view authority_of(std::string_view target);

/// Splits a request target (RFC 9112 sections 3.2.1 and 3.2.2) into path and query and decodes them. Fails if
/// the target neither begins with "/" nor has an authority, or has an invalid percent code.
[[nodiscard]] Result<Request> read_target(std::string_view target);

}  // namespace tickledger
