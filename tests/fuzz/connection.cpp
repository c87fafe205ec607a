// A whole connection of the HTTP server: everything that a client sends, over a real socket. The first line
// names the listener (l: the local socket, t: TCP, k: TCP with a token) and the number of bytes in each
// piece. The rest is sent.
#include <fcntl.h>
#include <sys/socket.h>
#include <unistd.h>

#include <boost/asio/io_context.hpp>
#include <boost/beast/core.hpp>
#include <boost/beast/http.hpp>
#include <charconv>

#include "fuzz/fuzz.hpp"
#include "serve/http_session.hpp"

namespace {

using namespace tickledger;
using fuzz::must;
namespace asio = boost::asio;
namespace http = boost::beast::http;
using Protocol = asio::generic::stream_protocol;

constexpr std::string_view token = "correct-horse-battery";
constexpr std::size_t body_bytes_max = 2000;
constexpr std::size_t header_bytes_max = 1000;

bool has(std::string_view text, std::string_view part) {
    return text.find(part) != std::string_view::npos;
}

std::string lower(std::string_view text) {
    std::string lowered(text);
    for (char& c : lowered)
        c = c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c;
    return lowered;
}

/// A handler that gives answers of every kind.
class Answering {
public:
    Response operator()(const Request& request) {
        ++requests;
        must(request.body.size() <= body_bytes_max, "a body is no larger than its limit");
        must(!request.path.empty() && request.path.front() == '/', "a path begins with a slash");
        must(!request.method.empty(), "a request has a method");
        Response response;
        if (request.path == "/parts") {
            response.chunks = [left = 3](std::string& chunk) mutable -> Result<bool> {
                chunk.assign(3000, 'x');
                return --left > 0;
            };
        } else if (request.path == "/news") {
            response.news = [this, is_told = false](std::string& chunk) mutable -> Result<void> {
                if (is_over) return fail("It is over.");
                if (!std::exchange(is_told, true)) chunk = "event: hello\n\n";
                return {};
            };
        } else if (request.path == "/fails") {
            throw std::runtime_error("as asked");
        } else {
            response.body = "{\"bytes\":" + std::to_string(request.body.size()) + "}\n";
        }
        return response;
    }

    std::size_t requests = 0;
    bool is_over = false;  ///< Of the news.
};

/// The client's end of the connection. It never blocks.
class Client {
public:
    explicit Client(int descriptor) : descriptor_(descriptor) { ::fcntl(descriptor_, F_SETFL, O_NONBLOCK); }
    ~Client() { ::close(descriptor_); }
    Client(const Client&) = delete;
    Client& operator=(const Client&) = delete;

    /// False: the server accepts nothing more at the moment.
    bool send(std::string_view& rest, std::size_t most) {
        const auto sent = ::send(descriptor_, rest.data(), std::min(most, rest.size()), MSG_NOSIGNAL);
        if (sent < 0) {
            // The server has closed the connection; the rest is dropped.
            if (errno != EAGAIN) rest = {};
            return false;
        }
        rest.remove_prefix(static_cast<std::size_t>(sent));
        return sent > 0;
    }
    void finish() const { ::shutdown(descriptor_, SHUT_WR); }
    bool take() {
        char bytes[4096];
        const auto count = ::recv(descriptor_, bytes, sizeof bytes, 0);
        if (count <= 0) return false;
        answers.append(bytes, static_cast<std::size_t>(count));
        return true;
    }

    std::string answers;

private:
    int descriptor_;
};

std::size_t count_of(const Sessions& sessions) {
    std::size_t count = 0;
    for (const std::size_t one : sessions.counts)
        count += one;
    return count;
}

/// Checks that only answers came back; the last one may be cut off. Returns their number.
std::size_t check_answers(std::string_view answers) {
    std::size_t count = 0;
    while (!answers.empty()) {
        http::response_parser<http::string_body> parser;
        parser.eager(true);
        boost::system::error_code error;
        const auto used = parser.put(asio::buffer(answers.data(), answers.size()), error);
        if (error == http::error::need_more) return count + (parser.is_header_done() ? 1 : 0);
        must(!error, "the server sends HTTP");
        const auto status = parser.get().result_int();
        must((status >= 200 && status < 300) || (status >= 400 && status <= 503),
             "a status is one that the server uses");
        ++count;
        if (!parser.is_done()) return count;
        answers.remove_prefix(used);
    }
    return count;
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    std::string_view sent = fuzz::text_of(data, size);
    std::string_view how = fuzz::take_line(sent);
    const char door = how.empty() ? 'l' : how.front();
    if (!how.empty()) how.remove_prefix(1);
    std::size_t piece = 0;
    std::from_chars(how.data(), how.data() + how.size(), piece);
    if (piece == 0 || piece > 65'536) piece = 65'536;
    const std::string lowered = lower(sent);
    const std::string_view whole = sent;

    Answering answering;
    const auto sessions = std::make_shared<Sessions>();
    sessions->limits.header_bytes = header_bytes_max;
    sessions->limits.body_bytes = body_bytes_max;
    sessions->handler = [&](const Request& request) { return answering(request); };
    if (door == 'k') sessions->token = token;
    asio::io_context io{1};
    int ends[2] = {-1, -1};
    must(::socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, ends) == 0, "a socket pair can be created");
    Client client(ends[0]);
    welcome(Protocol::socket(io, Protocol(AF_UNIX, 0), ends[1]), sessions, door != 't' && door != 'k');

    std::string_view rest = sent;
    bool is_finished = false;
    for (int idle = 0; count_of(*sessions) > 0; ++idle) {
        must(idle < 2000, "a connection ends once its client has gone");
        if (io.poll() > 0) idle = 0;
        io.restart();
        while (client.take())
            idle = 0;
        if (!rest.empty()) {
            if (client.send(rest, piece)) idle = 0;
        } else if (!std::exchange(is_finished, true)) {
            client.finish();
        } else if (idle > 10) {
            // A stream ends when its next event fails. The client has only said that it sends no more.
            if (idle == 100) {
                answering.is_over = true;
                sessions->look_for_news();
            }
            io.run_one_for(std::chrono::milliseconds{1});
            io.restart();
        }
    }
    while (client.take()) {
    }

    std::size_t versions = 0;
    for (std::size_t at = whole.find("HTTP/1."); at != std::string_view::npos;
         at = whole.find("HTTP/1.", at + 1))
        ++versions;
    must(answering.requests <= versions, "the server sees no more requests than were sent");
    if (answering.requests > 0 && door == 't') {
        must(has(lowered, "localhost") || has(lowered, "127.") || has(lowered, ":1]"),
             "a request is answered only if its host is a loopback name");
    }
    if (answering.requests > 0 && door == 'k') {
        must(has(whole, token) || has(lowered, "basic "), "a request is answered only with the token");
    }
    // An answer to HEAD has no body, whatever its length says.
    if (has(whole, "HEAD")) return 0;
    must(check_answers(client.answers) >= answering.requests, "every request is answered");
    return 0;
}
