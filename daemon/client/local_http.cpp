#include "client/local_http.hpp"

#include <fmt/format.h>
#include <sys/un.h>

#include <boost/asio/io_context.hpp>
#include <boost/asio/local/stream_protocol.hpp>
#include <boost/beast/core.hpp>
#include <boost/beast/http.hpp>

namespace tickledger {

namespace {

namespace asio = boost::asio;
namespace beast = boost::beast;
namespace http = boost::beast::http;
using boost::system::error_code;
using Protocol = asio::local::stream_protocol;

// The daemon books what waits before it answers; a slow disk may need a while.
constexpr auto patience = std::chrono::seconds{60};

class Exchange {
public:
    explicit Exchange(const Asked& asked)
        : request_(http::string_to_verb(asked.method), asked.target, 11), stream_(io_) {
        request_.set(http::field::host, "localhost");
        request_.set(http::field::accept, "application/json, application/problem+json");
        request_.keep_alive(false);
        if (!asked.body.empty()) {
            request_.set(http::field::content_type, "application/json");
            request_.body() = asked.body;
        }
        if (asked.method != "GET") request_.prepare_payload();
        // The ledger of years is asked for by whoever can hold it.
        parser_.body_limit(boost::none);
    }

    // The errno of connecting is told apart: only then is the daemon not there at all.
    error_code connect(const std::string& path) {
        error_code outcome;
        stream_.expires_after(patience);
        stream_.async_connect(Protocol::endpoint(path), [&outcome](error_code error) { outcome = error; });
        run();
        return outcome;
    }

    error_code exchange() {
        error_code outcome;
        stream_.expires_after(patience);
        http::async_write(stream_, request_, [this, &outcome](error_code error, std::size_t) {
            outcome = error;
            // A daemon that is full answers without waiting for the request, so the answer is read in any
            // case.
            read_some(outcome);
        });
        run();
        return outcome;
    }

    Answer answer() {
        auto response = parser_.release();
        Answer answer{response.result_int(), std::move(response.body())};
        if (answer.body.ends_with('\n')) answer.body.pop_back();
        return answer;
    }

private:
    void read_some(error_code& outcome) {
        stream_.expires_after(patience);
        http::async_read_some(stream_, buffer_, parser_, [this, &outcome](error_code error, std::size_t) {
            outcome = error;
            if (!error && !parser_.is_done()) read_some(outcome);
        });
    }

    void run() {
        io_.restart();
        io_.run();
    }

    asio::io_context io_;
    http::request<http::string_body> request_;
    beast::basic_stream<Protocol> stream_;
    beast::flat_buffer buffer_;
    http::response_parser<http::string_body> parser_;
};

std::string not_reachable(const std::string& path, const error_code& error) {
    if (error == boost::system::errc::permission_denied) {
        return fmt::format(
            "You may not use the daemon's socket {} ({}). Ask to be added to the group that owns it.", path,
            error.message());
    }
    return fmt::format(
        "The daemon does not answer on {} ({}). Start it (systemctl start tickledgerd), or name its "
        "socket with --socket or TICKLEDGER_SOCKET.",
        path, error.message());
}

}  // namespace

Result<Answer> ask(const std::filesystem::path& socket, const Asked& asked) {
    const std::string path = socket.string();
    if (path.empty() || path.size() >= sizeof(sockaddr_un::sun_path)) {
        return fail(fmt::format("The socket's path \"{}\" has {} characters; the system takes 1 to {}.", path,
                                path.size(), sizeof(sockaddr_un::sun_path) - 1));
    }
    Exchange exchange(asked);
    if (const auto error = exchange.connect(path)) return fail(not_reachable(path, error));
    if (const auto error = exchange.exchange()) {
        return fail(fmt::format(
            "The daemon's answer on {} broke off ({}). See its journal (journalctl -u tickledgerd) "
            "and try again.",
            path, error.message()));
    }
    return exchange.answer();
}

}  // namespace tickledger
