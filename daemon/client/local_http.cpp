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

// The daemon books waiting messages before it answers, which may take a while on a slow disk.
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
        // No limit: whoever asks for the ledger of years must have room for it.
        parser_.body_limit(boost::none);
    }

    // Separate from exchange(), because only an error here means that the daemon is not running.
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
            // A daemon with too many connections answers without reading the request. So the answer is read
            // even after an error.
            read_some(outcome);
        });
        run();
        return outcome;
    }

    /// Like exchange(), but calls `on_text` with each part of the body as it arrives, if the status is 200.
    error_code exchange(const std::function<void(const std::string&)>& on_text) {
        on_text_ = on_text;
        return exchange();
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
            if (on_text_ && parser_.is_header_done() && parser_.get().result_int() == 200) {
                auto& body = parser_.get().body();
                on_text_(body);
                body.clear();
            }
            if (!error && !parser_.is_done()) read_some(outcome);
        });
    }

    void run() {
        io_.restart();
        io_.run();
    }

    std::function<void(const std::string&)> on_text_;
    asio::io_context io_;
    http::request<http::string_body> request_;
    beast::basic_stream<Protocol> stream_;
    beast::flat_buffer buffer_;
    http::response_parser<http::string_body> parser_;
};

// Assembles events from the text of a stream (WHATWG HTML, section 9.2.6).
class EventReader {
public:
    explicit EventReader(const std::function<void(const StreamEvent&)>& on_event) : on_event_(on_event) {}

    void take(const std::string& text) {
        rest_ += text;
        std::size_t begin = 0;
        for (std::size_t end = 0; (end = rest_.find('\n', begin)) != std::string::npos; begin = end + 1)
            take_line(std::string_view(rest_).substr(begin, end - begin));
        rest_.erase(0, begin);
    }

private:
    void take_line(std::string_view line) {
        constexpr std::string_view event = "event: ";
        constexpr std::string_view data = "data: ";
        if (line.starts_with(event)) event_.name = line.substr(event.size());
        if (line.starts_with(data)) event_.data += line.substr(data.size());
        if (!line.empty()) return;
        if (!event_.data.empty()) on_event_(event_);
        event_ = {};
    }

    const std::function<void(const StreamEvent&)>& on_event_;
    std::string rest_;
    StreamEvent event_;
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

std::optional<Error> refuse_path(const std::filesystem::path& socket) {
    const std::size_t length = socket.string().size();
    if (length > 0 && length < sizeof(sockaddr_un::sun_path)) return std::nullopt;
    return Error{fmt::format("The socket's path \"{}\" has {} characters; the system takes 1 to {}.",
                             socket.string(), length, sizeof(sockaddr_un::sun_path) - 1)};
}

}  // namespace

Result<Answer> ask(const std::filesystem::path& socket, const Asked& asked) {
    if (auto refused = refuse_path(socket)) return tl::unexpected(*refused);
    const std::string path = socket.string();
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

Result<Answer> listen(const std::filesystem::path& socket, const std::string& target,
                      const std::function<void(const StreamEvent&)>& on_event) {
    if (auto refused = refuse_path(socket)) return tl::unexpected(*refused);
    const std::string path = socket.string();
    Exchange exchange({target});
    if (const auto error = exchange.connect(path)) return fail(not_reachable(path, error));
    EventReader reader(on_event);
    // The reason of the end is ignored: the caller may open the stream again in any case.
    static_cast<void>(exchange.exchange([&](const std::string& text) { reader.take(text); }));
    return exchange.answer();
}

}  // namespace tickledger
