// Attacks on the API's sockets, by a stranger on this machine or by another site's page in its browser.
// RFC 9110, RFC 9112 and the Fetch standard define what a request is and what a browser sends.
#include <atomic>
#include <catch2/catch.hpp>

#include "serve/http_server.hpp"
#include "serve/raw_client.hpp"
#include "support/temp_directory.hpp"
#include "support/wait_until.hpp"

namespace tickledger {
namespace {

using test::RawClient;

const std::string token = "0123456789abcdef";

/// A server on both sockets that counts the requests that reach its handler.
struct Served {
    explicit Served(const HttpLimits& limits = {}, const std::string& token_asked = {}) {
        std::vector<ListenSocket> sockets;
        sockets.push_back(ListenSocket::on_path(path, 0660).value());
        auto tcp = ListenSocket::on_tcp("127.0.0.1:0", ListenSocket::Reach::loopback).value();
        port = tcp.port();
        sockets.push_back(std::move(tcp));
        server = HttpServer::start(
            std::move(sockets), limits,
            [this](const Request& request) {
                ++handled;
                Response response;
                response.body = request.method + " " + request.path + " " + request.content_type;
                return response;
            },
            {}, token_asked);
    }
    test::TempDirectory directory;
    std::filesystem::path path = directory / "api.sock";
    unsigned port = 0;
    std::atomic<int> handled = 0;
    std::unique_ptr<HttpServer> server;
};

unsigned status_over_tcp(const Served& served, const std::string& request) {
    RawClient client(served.port);
    client.send(request);
    const auto answer = client.receive();
    return answer ? answer->status : 0;
}

/// How many bytes of an endless repetition the server takes, 64 MiB at most.
std::size_t taken_of_endless(const RawClient& client, const std::string& piece) {
    constexpr std::size_t most_bytes = std::size_t{64} * 1024 * 1024;
    std::size_t sent = 0;
    while (sent < most_bytes && client.send(piece))
        sent += piece.size();
    return sent;
}

constexpr std::size_t bearable_bytes = std::size_t{8} * 1024 * 1024;  // Includes the system's buffers.

TEST_CASE("a page that rebinds its name to loopback reads nothing, because Host is parsed exactly") {
    const Served served;
    const auto ask = [&](const std::string& host) {
        return status_over_tcp(served, "GET / HTTP/1.1\r\nHost: " + host + "\r\n\r\n");
    };
    for (const char* own : {"localhost", "localhost:8470", "LocalHost", "127.0.0.1", "127.0.0.1:9", "[::1]",
                            "[::1]:8470", "127.8.9.10:80"}) {
        CAPTURE(own);
        CHECK(ask(own) == 200);
    }
    const int answered = served.handled;
    for (const char* foreign :
         {"127.evil.example", "127.0.0.1.evil.example", "[::1].evil", "[::1]evil", "localhost:80@evil",
          "localhost:evil", "localhost.evil.example", "127.0.0.1:80:90", "[::1", "::1", "[::2]", "128.0.0.1",
          "127.0.0", "0.0.0.0", "localhost/", "localhost, evil.example", "localhost evil",
          "evil.example:80"}) {
        CAPTURE(foreign);
        const unsigned status = ask(foreign);
        CHECK((status == 400 || status == 421));
    }
    CHECK(served.handled == answered);
}

TEST_CASE("the host of an absolute target is judged in place of the Host field") {
    const Served served;
    const auto ask = [&](const std::string& target, const std::string& host) {
        return status_over_tcp(served, "GET " + target + " HTTP/1.1\r\nHost: " + host + "\r\n\r\n");
    };
    CHECK(ask("http://localhost:8470/", "localhost") == 200);
    CHECK(ask("http://127.0.0.1/", "evil.example") == 200);
    CHECK(ask("http://evil.example/", "localhost") == 421);
    CHECK(ask("http://evil@localhost/", "localhost") == 400);
    CHECK(ask("http://localhost/", "localhost\r\nHost: evil.example") == 400);
}

TEST_CASE("two Host fields are refused on every socket, because a proxy might use the other one") {
    const Served served;
    const std::string twice = "GET / HTTP/1.1\r\nHost: localhost\r\nHost: evil.example\r\n\r\n";
    CHECK(status_over_tcp(served, twice) == 400);
    RawClient local(served.path);
    local.send(twice);
    CHECK(local.receive().value().status == 400);
    CHECK(served.handled == 0);
}

TEST_CASE("a page of another site changes nothing, whatever origin it claims and whatever form it sends") {
    const Served served;
    const auto post = [&](const std::string& fields, const std::string& method = "POST") {
        return status_over_tcp(served, method + " / HTTP/1.1\r\nHost: localhost:8470\r\n" + fields +
                                           "Content-Length: 2\r\n\r\n{}");
    };
    const std::string json = "Content-Type: application/json\r\n";
    CHECK(post("Origin: http://evil.example\r\n" + json) == 403);
    CHECK(post("Origin: null\r\n" + json) == 403);
    CHECK(post("Origin: http://localhost:9999\r\n" + json) == 403);
    CHECK(post("Origin: http://localhost:8470.evil.example\r\n" + json) == 403);
    CHECK(post("Origin: http://localhost:8470\r\nOrigin: http://evil.example\r\n" + json) == 403);
    CHECK(post("Origin: http://evil.example\r\n", "DELETE") == 403);
    // What a form of any site can send without its browser asking first (Fetch standard, "CORS-safelisted
    // request-header"), from a browser that sends no origin.
    CHECK(post("") == 403);
    CHECK(post("Content-Type: text/plain\r\n") == 403);
    CHECK(post("Content-Type: text/plain; application/json\r\n") == 403);
    CHECK(post("Content-Type: application/x-www-form-urlencoded\r\n") == 403);
    CHECK(post("Content-Type: multipart/form-data; boundary=x\r\n") == 403);
    CHECK(served.handled == 0);
    // What no form can send.
    CHECK(post(json) == 200);
    CHECK(post("Content-Type: application/json; charset=utf-8\r\n") == 200);
    CHECK(post("", "DELETE") == 200);
    CHECK(post("Origin: http://localhost:8470\r\n") == 200);
    CHECK(post("Origin: http://LOCALHOST:8470\r\n") == 200);
    // The local socket checks none of this: its file's mode decides who may connect.
    RawClient local(served.path);
    local.send("POST / HTTP/1.1\r\nHost: whatever\r\nContent-Length: 2\r\n\r\n{}");
    CHECK(local.receive().value().status == 200);
}

TEST_CASE("a request without the token is refused after its header, before any body is read") {
    const Served served({}, token);
    for (const char* body : {"Content-Length: 60000\r\n\r\n", "Transfer-Encoding: chunked\r\n\r\n"}) {
        RawClient client(served.port);
        REQUIRE(client.send(std::string("POST / HTTP/1.1\r\nHost: localhost\r\n") + body));
        CHECK(client.receive().value().status == 401);
        // The announced body was not read, so it could be mistaken for the next request.
        CHECK(client.is_closed());
    }
    CHECK(served.handled == 0);
}

TEST_CASE("endless chunk extensions and trailers are cut off at the header's size limit") {
    const Served served;
    const std::string header =
        "POST / HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nTransfer-Encoding: "
        "chunked\r\n\r\n";
    const std::string filler(64 * 1024, 'x');
    std::string fields;
    for (int i = 0; i < 4000; ++i)
        fields += "X-" + std::to_string(i) + ": y\r\n";
    for (const auto& [begin, piece] :
         {std::pair{std::string("1;"), filler}, std::pair{std::string("1\r\nx\r\n0\r\n"), fields},
          std::pair{std::string("1\r\nx\r\n0;"), filler}}) {
        CAPTURE(begin);
        RawClient refused(served.port);
        refused.send(header + begin + piece.substr(0, 40'000));
        CHECK(refused.receive().value().status == 431);
        RawClient endless(served.port);
        endless.send(header + begin);
        CHECK(taken_of_endless(endless, piece) < bearable_bytes);
    }
    SECTION("many chunks, each with an extension that is acceptable alone") {
        RawClient client(served.port);
        std::string body;
        for (int i = 0; i < 20; ++i)
            body += "1;" + std::string(2000, 'x') + "\r\nx\r\n";
        client.send(header + body);
        CHECK(client.receive().value().status == 431);
        RawClient endless(served.port);
        endless.send(header);
        CHECK(taken_of_endless(endless, body) < bearable_bytes);
    }
    CHECK(served.handled == 0);
    SECTION("a short extension and a trailer, which RFC 9112 section 7.1 allows, are skipped") {
        RawClient client(served.port);
        client.send(header + "2;a=b\r\n{}\r\n0\r\nContent-Type: text/plain\r\n\r\n");
        const auto answer = client.receive().value();
        CHECK(answer.status == 200);
        CHECK(answer.body == "POST / application/json");
    }
}

TEST_CASE("an unknown transfer coding is refused, and the bytes after it are not read as a request") {
    const Served served;
    const std::string smuggled = "GET /smuggled HTTP/1.1\r\nHost: localhost\r\n\r\n";
    for (const char* coding : {"Transfer-Encoding: xchunked", "Transfer-Encoding: gzip, chunked",
                               "Transfer-Encoding: chunked, gzip", "Transfer-Encoding: identity",
                               "Transfer-Encoding: xchunked\r\nContent-Length: 0",
                               "Transfer-Encoding: chunked;q=1", "Transfer-Encoding:"}) {
        CAPTURE(coding);
        RawClient client(served.path);
        client.send(std::string("POST / HTTP/1.1\r\nHost: localhost\r\n") + coding + "\r\n\r\n" + smuggled);
        const auto answer = client.receive();
        REQUIRE(answer);
        CHECK((answer->status == 501 || answer->status == 400));
        CHECK(client.is_closed());
    }
    // HTTP/1.0 has no transfer coding (RFC 9112, section 6.1).
    RawClient old(served.path);
    old.send("POST / HTTP/1.0\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n" + smuggled);
    CHECK(old.receive().value().status == 400);
    CHECK(old.is_closed());
    CHECK(served.handled == 0);
}

TEST_CASE("connections leave enough descriptors for the daemon itself") {
    // A client's connection can hold three descriptors: its socket and, during a long answer, the ledger file
    // and its write-ahead log.
    for (const std::size_t descriptors : {0, 20, 64, 256, 1024, 1'000'000}) {
        const HttpLimits limits = HttpLimits::within(descriptors);
        CAPTURE(descriptors);
        CHECK(limits.connections >= 1);
        CHECK(limits.strangers >= 1);
        if (descriptors < 64) continue;
        CHECK(2 * limits.connections * 3 + limits.strangers + limits.turned_away + 40 <= descriptors);
    }
    CHECK(HttpLimits::within(1024).connections == HttpLimits{}.connections);
}

TEST_CASE("a client that reads one answer forever is cut off, and its view of the ledger is released") {
    HttpLimits limits;
    limits.answer = std::chrono::milliseconds{200};
    const test::TempDirectory directory;
    const auto path = directory / "api.sock";
    std::vector<ListenSocket> sockets;
    sockets.push_back(ListenSocket::on_path(path, 0660).value());
    const auto view = std::make_shared<int>(0);
    std::atomic<bool> is_told = false;
    const auto server = HttpServer::start(
        std::move(sockets), limits,
        [&](const Request&) {
            Response response;
            response.chunks = [view](std::string& chunk) -> Result<bool> {
                chunk = "as slow as it likes";
                return true;
            };
            return response;
        },
        [&](const std::string& line) { is_told = is_told || line.find("too slow") != std::string::npos; });
    RawClient client(path);
    client.send("GET / HTTP/1.1\r\nHost: localhost\r\n\r\n");
    // It reads everything at once, and the answer still ends.
    CHECK_FALSE(client.receive());
    CHECK(is_told);
    CHECK(test::wait_until([&] { return view.use_count() <= 2; }));  // This one and the handler's.
}

TEST_CASE("incomplete requests over TCP do not crowd out the local socket or authenticated clients") {
    HttpLimits limits;
    limits.connections = 4;
    limits.strangers = 4;
    const Served served(limits, token);
    const std::string known =
        "GET / HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer " + token + "\r\n\r\n";
    RawClient friendly(served.port);
    REQUIRE(friendly.send(known));
    REQUIRE(friendly.receive().value().status == 200);
    std::vector<std::unique_ptr<RawClient>> half;
    for (int i = 0; i < 12; ++i) {
        half.push_back(std::make_unique<RawClient>(served.port));
        half.back()->send("GET / HTT");
    }
    // Once the last connection is refused or cut off, the server has handled all of them.
    CHECK(test::wait_until([&] { return half.back()->is_closed() || !half.back()->take().empty(); }));
    CHECK(test::get(served.path, "/").status == 200);
    REQUIRE(friendly.send(known));
    CHECK(friendly.receive().value().status == 200);
}

}  // namespace
}  // namespace tickledger
