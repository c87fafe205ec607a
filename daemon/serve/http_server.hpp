// HTTP/1.1 over the local socket and, where asked for, over loopback TCP. Knows nothing of the API.
#pragma once

#include <cstddef>
#include <functional>
#include <memory>
#include <string>
#include <vector>

#include "serve/access.hpp"
#include "serve/http_message.hpp"
#include "serve/listen_socket.hpp"
#include "tickledger/time.hpp"

namespace tickledger {

/// Limits for one client, so that none can starve the others.
struct HttpLimits {
    std::size_t header_bytes = std::size_t{8} * 1024;
    std::size_t body_bytes = std::size_t{64} * 1024;
    /// From the end of an answer (or the connection) until the next request is here whole.
    Duration receive = std::chrono::seconds{30};
    /// For taking one part of an answer.
    Duration send = std::chrono::seconds{30};
    /// For a whole answer in parts: while it is sent, the ledger's write-ahead log cannot be begun anew.
    Duration answer = std::chrono::minutes{5};
    /// Connections at a time, over the local socket and as many over TCP that have shown that they may ask;
    /// one more is answered 503 and closed.
    std::size_t connections = 128;
    /// Connections over TCP whose requests have not been authorised yet.
    std::size_t strangers = 64;
    /// Connections at a time that are answered 503; more are closed without an answer.
    std::size_t turned_away = 16;

    /// Limits for a process that may open so many descriptors: enough remain for the broker, the message log
    /// and the ledger.
    [[nodiscard]] static HttpLimits within(std::size_t descriptors);

    /// How often an answer without an end is asked for more where nobody wakes it.
    Duration look_for_news = std::chrono::seconds{5};
};

/// Calls the function, on any thread, once what has been accepted is booked, or cannot be booked now. It must
/// not call it before it returns.
using WhenBooked = std::function<void(std::function<void()> then)>;

/// Serves until it is destroyed; then open connections are cut and the socket's file is removed.
/// Thread: one of its own, on which the handler and the chunk producers are called, one at a time.
class HttpServer {
public:
    /// `tenants`: tokens that callers over TCP may show instead of `token`; the request tells whose it was.
    /// `token`: what callers over TCP must know (serve/access.hpp); empty: nothing, but then only those are
    /// answered that call this machine by a loopback name. `on_trouble` gets a line for the journal, on the
    /// server's thread; may be empty. `when_booked`: while a question waits for that, others are answered;
    /// empty: whoever answers waits.
    [[nodiscard]] static std::unique_ptr<HttpServer> start(
        std::vector<ListenSocket> sockets, HttpLimits limits, Handler handler,
        std::function<void(const std::string&)> on_trouble = {}, std::string token = {},
        std::vector<TenantToken> tenants = {}, WhenBooked when_booked = {});

    ~HttpServer();

    /// There is something new: answers without an end are asked for it. Any thread; cheap.
    void wake();

private:
    class Loop;
    explicit HttpServer(std::unique_ptr<Loop> loop);

    std::unique_ptr<Loop> loop_;
};

}  // namespace tickledger
