#include "serve/http_server.hpp"

#include <sys/socket.h>

#include <algorithm>
#include <atomic>
#include <boost/asio/basic_socket_acceptor.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/steady_timer.hpp>
#include <mutex>
#include <thread>

#include "serve/http_session.hpp"

namespace tickledger {

namespace {

namespace asio = boost::asio;
using boost::system::error_code;
using Protocol = asio::generic::stream_protocol;
using Acceptor = asio::basic_socket_acceptor<Protocol>;

// The most descriptors that the daemon itself has open: broker, message log, ledger, a backup in progress,
// and the loop.
constexpr std::size_t kept_descriptors = 40;
// The connection and, during a long answer, the ledger's file and its write-ahead log.
constexpr std::size_t descriptors_a_connection = 3;
constexpr auto pause_after_failed_accept = std::chrono::milliseconds{100};

}  // namespace

/// The thread and its sockets. Defined here so that no other file includes the network library's headers.
class HttpServer::Loop {
public:
    Loop(std::vector<ListenSocket> sockets, std::shared_ptr<Sessions> sessions)
        : sockets_(std::move(sockets)), sessions_(std::move(sessions)) {
        sessions_->post = [gate = gate_](std::function<void()> work) {
            const std::lock_guard lock(gate->mutex);
            if (gate->io) asio::post(*gate->io, std::move(work));
        };
        for (ListenSocket& socket : sockets_) {
            auto& listener = listeners_.emplace_back(std::make_unique<Listener>(
                Acceptor(io_), asio::steady_timer(io_), socket.family() == AF_UNIX));
            listener->acceptor.assign(Protocol(socket.family(), 0), socket.release());
            accept(*listener);
        }
        thread_ = std::thread([this] { io_.run(); });
    }
    Loop(const Loop&) = delete;
    Loop& operator=(const Loop&) = delete;

    ~Loop() {
        {
            const std::lock_guard lock(gate_->mutex);
            gate_->io = nullptr;
        }
        io_.stop();
        thread_.join();
        sessions_->for_booking.clear();
    }

    void wake() {
        if (is_woken_.exchange(true)) return;
        asio::post(io_, [this] {
            is_woken_ = false;
            sessions_->look_for_news();
        });
    }

private:
    struct Listener {
        Listener(Acceptor acceptor_to_use, asio::steady_timer pause_to_use, bool local)
            : acceptor(std::move(acceptor_to_use)), pause(std::move(pause_to_use)), is_local(local) {}
        Acceptor acceptor;
        asio::steady_timer pause;
        bool is_local;
    };

    void accept(Listener& listener) {
        listener.acceptor.async_accept([this, &listener](error_code error, Protocol::socket socket) {
            if (error == asio::error::operation_aborted) return;
            if (error) {
                // For example out of descriptors; trying again at once would only spin.
                sessions_->tell("A connection could not be accepted: " + error.message());
                listener.pause.expires_after(pause_after_failed_accept);
                listener.pause.async_wait([this, &listener](error_code stopped) {
                    if (!stopped) accept(listener);
                });
                return;
            }
            welcome(std::move(socket), sessions_, listener.is_local);
            accept(listener);
        });
    }

    /// Lets other threads post work for as long as the loop exists.
    struct Gate {
        explicit Gate(asio::io_context& to) : io(&to) {}
        std::mutex mutex;
        asio::io_context* io;
    };

    std::vector<ListenSocket> sockets_;
    std::shared_ptr<Sessions> sessions_;
    asio::io_context io_{1};
    std::shared_ptr<Gate> gate_ = std::make_shared<Gate>(io_);
    std::atomic<bool> is_woken_ = false;
    std::vector<std::unique_ptr<Listener>> listeners_;
    std::thread thread_;
};

HttpServer::HttpServer(std::unique_ptr<Loop> loop) : loop_(std::move(loop)) {}

HttpServer::~HttpServer() = default;

void HttpServer::wake() {
    loop_->wake();
}

HttpLimits HttpLimits::within(std::size_t descriptors) {
    const std::size_t left =
        (std::max(descriptors, kept_descriptors) - kept_descriptors) / descriptors_a_connection;
    HttpLimits limits;
    limits.connections = std::clamp<std::size_t>(left * 2 / 5, 1, limits.connections);
    limits.strangers = std::clamp<std::size_t>(left / 5, 1, limits.strangers);
    limits.turned_away = std::clamp<std::size_t>(left / 5, 1, limits.turned_away);
    return limits;
}

std::unique_ptr<HttpServer> HttpServer::start(std::vector<ListenSocket> sockets, HttpLimits limits,
                                              Handler handler,
                                              std::function<void(const std::string&)> on_trouble,
                                              std::string token, std::vector<TenantToken> tenants,
                                              WhenBooked when_booked) {
    auto sessions = std::make_shared<Sessions>();
    sessions->limits = limits;
    sessions->handler = std::move(handler);
    sessions->on_trouble = std::move(on_trouble);
    sessions->token = std::move(token);
    sessions->tenants = std::move(tenants);
    sessions->when_booked = std::move(when_booked);
    return std::unique_ptr<HttpServer>(
        new HttpServer(std::make_unique<Loop>(std::move(sockets), std::move(sessions))));
}

}  // namespace tickledger
