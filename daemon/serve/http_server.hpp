// HTTP/1.1 over the local socket and, if configured, over TCP. Knows nothing of the API.
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

/// Limits that keep one client from starving the others.
struct HttpLimits {
    std::size_t header_bytes = std::size_t{8} * 1024;
    std::size_t body_bytes = std::size_t{64} * 1024;
    /// From the start of the connection, or the end of an answer, until the next request is complete.
    Duration receive = std::chrono::seconds{30};
    /// For the client to take one part of an answer.
    Duration send = std::chrono::seconds{30};
    /// For a whole answer in parts. While it is sent, the ledger's write-ahead log cannot restart and grows.
    Duration answer = std::chrono::minutes{5};
    /// The most connections over the local socket, and separately the most authorised ones over TCP. One more
    /// is answered 503 and closed.
    std::size_t connections = 128;
    /// The most connections over TCP that have not been authorised yet.
    std::size_t strangers = 64;
    /// The most connections that are being answered 503. Further ones are closed without an answer.
    std::size_t turned_away = 16;

    /// Limits for a process that may open `descriptors` descriptors. Enough remain for the broker, the
    /// message log and the ledger.
    [[nodiscard]] static HttpLimits within(std::size_t descriptors);

    /// How often an endless answer is asked for news when nobody calls wake().
    Duration look_for_news = std::chrono::seconds{5};
};

/// Calls `then`, on any thread, once everything accepted is booked or cannot be booked now. It must not call
/// `then` before it returns.
using WhenBooked = std::function<void(std::function<void()> then)>;

/// Serves until it is destroyed. Then open connections are cut and the socket's file is removed. Thread: one
/// of its own, on which the handler and the chunk producers are called, one at a time.
class HttpServer {
public:
    /// `token`: what callers over TCP must show (serve/access.hpp). If it is empty they need none, but then
    /// only requests to a loopback name of this machine are answered. `tenants`: tokens that callers over TCP
    /// may show instead; the request says whose token it was. `on_trouble` gets lines for the journal on the
    /// server's thread; may be empty. `when_booked`: lets the server answer other requests while one waits
    /// for booking; empty: the handler waits.
    [[nodiscard]] static std::unique_ptr<HttpServer> start(
        std::vector<ListenSocket> sockets, HttpLimits limits, Handler handler,
        std::function<void(const std::string&)> on_trouble = {}, std::string token = {},
        std::vector<TenantToken> tenants = {}, WhenBooked when_booked = {});

    ~HttpServer();

    /// Asks endless answers for news. Any thread; cheap.
    void wake();

private:
    class Loop;
    explicit HttpServer(std::unique_ptr<Loop> loop);

    std::unique_ptr<Loop> loop_;
};

}  // namespace tickledger
