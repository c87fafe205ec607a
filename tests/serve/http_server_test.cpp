#include "serve/http_server.hpp"

#include <sys/stat.h>

#include <atomic>
#include <catch2/catch.hpp>
#include <thread>

#include "serve/raw_client.hpp"
#include "support/temp_directory.hpp"
#include "support/wait_until.hpp"

namespace tickledger {
namespace {

using test::RawClient;
using test::wait_until;

constexpr std::string_view get_echo = "GET /echo HTTP/1.1\r\nHost: localhost\r\n\r\n";

// Echoes what it understood, or streams several parts.
Response echo(const Request& request) {
    Response response;
    response.content_type = "text/plain";
    response.body = request.method + " " + request.path;
    for (const auto& [name, value] : request.query)
        response.body += " " + name + "=" + value;
    if (!request.body.empty()) response.body += " <" + request.body + ">";
    if (request.path == "/throws") throw std::runtime_error("on purpose");
    if (request.path == "/parts") {
        response.chunks = [count = 0](std::string& chunk) mutable -> Result<bool> {
            chunk = "part " + std::to_string(count) + ";";
            return ++count < 5;
        };
    }
    if (request.path == "/empty-parts") {
        response.chunks = [count = 0](std::string& chunk) mutable -> Result<bool> {
            if (count % 2 == 1) chunk = std::to_string(count);
            return ++count < 7;
        };
    }
    if (request.path == "/fails-at-once") {
        response.chunks = [](std::string&) -> Result<bool> { return fail("The disk is gone."); };
    }
    if (request.path == "/fails-later") {
        response.chunks = [count = 0](std::string& chunk) mutable -> Result<bool> {
            if (count++ == 2) return fail("The disk is gone.");
            chunk = "half";
            return true;
        };
    }
    return response;
}

struct ServedSocket {
    explicit ServedSocket(HttpLimits limits = {}, Handler handler = echo) {
        auto socket = ListenSocket::on_path(path, 0660);
        if (!socket) throw std::runtime_error(socket.error().text);
        std::vector<ListenSocket> sockets;
        sockets.push_back(*std::move(socket));
        server = HttpServer::start(std::move(sockets), limits, std::move(handler));
    }
    test::TempDirectory directory;
    std::filesystem::path path = directory / "api.sock";
    std::unique_ptr<HttpServer> server;
};

TEST_CASE("a request is understood and its answer has its length") {
    const ServedSocket served;
    const auto answer = test::get(served.path, "/echo?a=1%202&from=2026-03-01T08:00:00+01:00&flag");
    CHECK(answer.status == 200);
    CHECK(answer.body == "GET /echo a=1 2 from=2026-03-01T08:00:00+01:00 flag=");
    CHECK(answer.head.find("Content-Type: text/plain\r\n") != std::string::npos);
}

TEST_CASE("a target in absolute form was refused, which RFC 9112 asks every server to accept") {
    const ServedSocket served;
    const auto body = [&](const std::string& target) { return test::get(served.path, target).body; };
    CHECK(body("http://localhost/echo?a=1") == "GET /echo a=1");
    CHECK(body("HTTP://localhost:8470/echo") == "GET /echo");
    CHECK(body("http://localhost?a=1") == "GET / a=1");
    CHECK(body("http://localhost") == "GET /");
}

TEST_CASE("requests on one connection are answered in order, pipelined ones too") {
    const ServedSocket served;
    RawClient client(served.path);
    std::string ahead;
    for (int i = 0; i < 20; ++i)
        ahead += "GET /" + std::to_string(i) + " HTTP/1.1\r\nHost: localhost\r\n\r\n";
    REQUIRE(client.send(ahead));
    for (int i = 0; i < 20; ++i) {
        const auto answer = client.receive();
        REQUIRE(answer);
        CHECK(answer->body == "GET /" + std::to_string(i));
    }
}

TEST_CASE("a body in parts is sent in chunks, and the connection stays open") {
    const ServedSocket served;
    RawClient client(served.path);
    for (const char* path : {"/parts", "/empty-parts", "/parts"}) {
        REQUIRE(client.send("GET " + std::string(path) + " HTTP/1.1\r\nHost: localhost\r\n\r\n"));
        const auto answer = client.receive();
        REQUIRE(answer);
        CHECK(answer->head.find("Transfer-Encoding: chunked") != std::string::npos);
        CHECK(answer->body ==
              (std::string(path) == "/parts" ? "part 0;part 1;part 2;part 3;part 4;" : "135"));
    }
}

TEST_CASE("an HTTP/1.0 client gets a body in parts without chunks, ended by closing the connection") {
    const ServedSocket served;
    RawClient client(served.path);
    REQUIRE(client.send("GET /parts HTTP/1.0\r\n\r\n"));
    const auto answer = client.receive();
    REQUIRE(answer);
    CHECK(answer->head.find("chunked") == std::string::npos);
    CHECK(answer->body == "part 0;part 1;part 2;part 3;part 4;");
    CHECK(client.is_closed());
}

TEST_CASE("HEAD is answered without a body, with the length of the answer to GET") {
    const ServedSocket served;
    RawClient client(served.path);
    REQUIRE(client.send("HEAD /echo HTTP/1.1\r\nHost: localhost\r\n\r\n"));
    const auto answer = client.receive(true);
    REQUIRE(answer);
    CHECK(answer->head.find("Content-Length: 10\r\n") != std::string::npos);  // "HEAD /echo"
    REQUIRE(client.send(get_echo));
    const auto next = client.receive();
    REQUIRE(next);
    CHECK(next->body == "GET /echo");
}

TEST_CASE("an answer that fails at once becomes a problem, one that fails later is cut off without its end") {
    const ServedSocket served;
    const auto answer = test::get(served.path, "/fails-at-once");
    CHECK(answer.status == 500);
    CHECK(answer.body.find("The disk is gone.") != std::string::npos);

    RawClient client(served.path);
    REQUIRE(client.send("GET /fails-later HTTP/1.1\r\nHost: localhost\r\n\r\n"));
    CHECK_FALSE(client.receive());
}

TEST_CASE("a handler that throws gives status 500 and the server keeps running") {
    const ServedSocket served;
    CHECK(test::get(served.path, "/throws").status == 500);
    CHECK(test::get(served.path, "/echo").status == 200);
}

TEST_CASE("a malformed or too large request, or one without Host, is refused with a problem") {
    const ServedSocket served;
    struct Case {
        std::string bytes;
        unsigned status;
    };
    const std::string large_field(9000, 'x');
    for (const Case& one :
         {Case{"this is no request\r\n\r\n", 400}, Case{"GET / HTTP/1.1\r\n\r\n", 400},
          Case{"GET /%zz HTTP/1.1\r\nHost: localhost\r\n\r\n", 400},
          Case{"GET /%4 HTTP/1.1\r\nHost: localhost\r\n\r\n", 400},
          Case{"GET ftp://other/ HTTP/1.1\r\nHost: localhost\r\n\r\n", 400},
          Case{"GET http:///meters HTTP/1.1\r\nHost: localhost\r\n\r\n", 400},
          Case{"GET http://localhost/ HTTP/1.1\r\n\r\n", 400},
          Case{"GET / HTTP/1.1\r\nHost: localhost\r\nX: " + large_field + "\r\n\r\n", 431},
          Case{"POST / HTTP/1.1\r\nHost: localhost\r\nContent-Length: 999999\r\n\r\n", 413}}) {
        CAPTURE(one.bytes.substr(0, 60));
        RawClient client(served.path);
        client.send(one.bytes);
        const auto answer = client.receive();
        REQUIRE(answer);
        CHECK(answer->status == one.status);
        CHECK(answer->head.find("application/problem+json") != std::string::npos);
        CHECK(answer->body.find("\"detail\":\"") != std::string::npos);
    }
}

TEST_CASE("a client that sent too much can still read why it was refused") {
    const ServedSocket served;
    RawClient client(served.path);
    client.send("POST / HTTP/1.1\r\nHost: localhost\r\nContent-Length: 300000\r\n\r\n" +
                std::string(300000, 'x'));
    const auto answer = client.receive();
    REQUIRE(answer);
    CHECK(answer->status == 413);
}

TEST_CASE("a client that has closed its sending side still gets its answer") {
    const ServedSocket served;
    RawClient client(served.path);
    REQUIRE(client.send(get_echo));
    client.finish_sending();
    const auto answer = client.receive();
    REQUIRE(answer);
    CHECK(answer->status == 200);
    CHECK(client.is_closed());
}

TEST_CASE("a client that sends too slowly is cut off, and others are served in the meantime") {
    HttpLimits limits;
    limits.receive = std::chrono::milliseconds{300};
    const ServedSocket served(limits);
    RawClient slow(served.path);
    REQUIRE(slow.send("GET /echo HTT"));
    CHECK(test::get(served.path, "/echo").status == 200);
    CHECK(slow.is_closed());
}

TEST_CASE("a client that does not read its answer is cut off") {
    HttpLimits limits;
    limits.send = std::chrono::milliseconds{300};
    // The producer lives as long as the session that reads from it.
    struct Witness {
        explicit Witness(std::atomic<bool>& flag) : is_gone(flag) {}
        Witness(const Witness&) = delete;
        Witness& operator=(const Witness&) = delete;
        ~Witness() { is_gone = true; }
        std::atomic<bool>& is_gone;
    };
    std::atomic<bool> is_let_go = false;
    const ServedSocket served(limits, [&is_let_go](const Request&) {
        Response response;
        response.chunks = [witness =
                               std::make_shared<Witness>(is_let_go)](std::string& chunk) -> Result<bool> {
            chunk.assign(1 << 20, 'x');
            return true;
        };
        return response;
    });
    RawClient client(served.path);
    REQUIRE(client.send(get_echo));
    CHECK(wait_until([&] { return is_let_go.load(); }));
}

TEST_CASE("fifty simultaneous clients each get their own answers") {
    const ServedSocket served;
    std::atomic<int> wrong = 0;
    std::vector<std::thread> clients;
    for (int i = 0; i < 50; ++i) {
        clients.emplace_back([&, i] {
            try {
                RawClient client(served.path);
                for (int n = 0; n < 20; ++n) {
                    const std::string path = "/" + std::to_string(i) + "/" + std::to_string(n);
                    client.send("GET " + path + " HTTP/1.1\r\nHost: localhost\r\n\r\n");
                    const auto answer = client.receive();
                    if (!answer || answer->body != "GET " + path) ++wrong;
                }
            } catch (const std::exception&) {
                ++wrong;
            }
        });
    }
    for (auto& client : clients)
        client.join();
    CHECK(wrong == 0);
}

TEST_CASE("one connection too many is refused, and there is room again once another has closed") {
    HttpLimits limits;
    limits.connections = 2;
    const ServedSocket served(limits);
    auto first = std::make_unique<RawClient>(served.path);
    RawClient second(served.path);
    for (auto* client : {first.get(), &second}) {
        REQUIRE(client->send(get_echo));
        REQUIRE(client->receive());
    }
    {
        RawClient third(served.path);
        const auto answer = third.receive();
        REQUIRE(answer);
        CHECK(answer->status == 503);
    }
    first.reset();
    CHECK(wait_until([&] { return test::get(served.path, "/echo").status == 200; }));
}

TEST_CASE("the socket file has the given mode and is removed with the server") {
    test::TempDirectory directory;
    const auto path = directory / "api.sock";
    {
        auto socket = ListenSocket::on_path(path, 0620);
        REQUIRE(socket);
        struct stat status {};
        REQUIRE(::stat(path.c_str(), &status) == 0);
        CHECK((status.st_mode & 07777) == 0620);
        CHECK(S_ISSOCK(status.st_mode));
    }
    CHECK_FALSE(std::filesystem::exists(path));
}

TEST_CASE("a socket file left by a killed daemon is replaced, one with a listener is not") {
    test::TempDirectory directory;
    const auto path = directory / "api.sock";
    {
        auto socket = ListenSocket::on_path(path, 0660);
        REQUIRE(socket);
        const auto second = ListenSocket::on_path(path, 0660);
        REQUIRE_FALSE(second);
        CHECK(second.error().text.find(path.string()) != std::string::npos);
        CHECK(second.error().text.find("answers") != std::string::npos);
        // A kill leaves the file behind, and nobody listens on it.
        std::filesystem::rename(path, directory / "kept");
    }
    std::filesystem::rename(directory / "kept", path);
    const auto again = ListenSocket::on_path(path, 0660);
    CHECK(again);
}

TEST_CASE("a socket path that cannot be used is refused with its name and a remedy") {
    test::TempDirectory directory;
    const auto file = directory.write("notes", "important");
    const auto on_file = ListenSocket::on_path(file, 0660);
    REQUIRE_FALSE(on_file);
    CHECK(on_file.error().text.find("not a socket") != std::string::npos);
    CHECK(std::filesystem::file_size(file) == 9);

    const auto nowhere = ListenSocket::on_path(directory / "missing/api.sock", 0660);
    REQUIRE_FALSE(nowhere);
    CHECK(nowhere.error().text.find("missing/api.sock") != std::string::npos);

    const auto too_long = ListenSocket::on_path(directory / std::string(120, 'x'), 0660);
    REQUIRE_FALSE(too_long);
    CHECK(too_long.error().text.find("shorter") != std::string::npos);
}

TEST_CASE("another daemon's socket file in the same place is left alone") {
    test::TempDirectory directory;
    const auto path = directory / "api.sock";
    auto first = std::make_unique<ListenSocket>(ListenSocket::on_path(path, 0660).value());
    std::filesystem::remove(path);
    const auto second = ListenSocket::on_path(path, 0660);
    REQUIRE(second);
    first.reset();
    CHECK(std::filesystem::exists(path));
}

TEST_CASE("over TCP the server listens only on loopback and answers only to names of this machine") {
    for (const char* address : {"0.0.0.0:8470", "192.168.1.2:8470", "[::]:8470", "8470",
                                "127.0.0.1:", "127.0.0.1:99999", "example.org:80", ""}) {
        CAPTURE(address);
        CHECK_FALSE(ListenSocket::on_tcp(address, ListenSocket::Reach::loopback));
    }
    auto socket = ListenSocket::on_tcp("127.0.0.1:0", ListenSocket::Reach::loopback);
    REQUIRE(socket);
    const unsigned port = socket->port();
    REQUIRE(port != 0);
    std::vector<ListenSocket> sockets;
    sockets.push_back(*std::move(socket));
    const auto server = HttpServer::start(std::move(sockets), {}, echo);
    RawClient client(port);
    REQUIRE(client.send("GET /echo HTTP/1.1\r\nHost: localhost:8470\r\n\r\n"));
    CHECK(client.receive().value().status == 200);
    REQUIRE(client.send("GET /echo HTTP/1.1\r\nHost: rebound.example:8470\r\n\r\n"));
    CHECK(client.receive().value().status == 421);
    REQUIRE(
        client.send("POST /echo HTTP/1.1\r\nHost: localhost:8470\r\nOrigin: http://elsewhere.example\r\n"
                    "Content-Length: 0\r\n\r\n"));
    CHECK(client.receive().value().status == 403);
    REQUIRE(
        client.send("POST /echo HTTP/1.1\r\nHost: localhost:8470\r\nOrigin: http://localhost:8470\r\n"
                    "Content-Length: 0\r\n\r\n"));
    CHECK(client.receive().value().status == 200);
}

TEST_CASE("the server stops while clients are connected and halfway through a request") {
    auto served = std::make_unique<ServedSocket>();
    RawClient idle(served->path);
    RawClient half(served->path);
    REQUIRE(half.send("GET /ec"));
    REQUIRE(idle.send(get_echo));
    REQUIRE(idle.receive());
    served->server.reset();
    CHECK(idle.is_closed());
    CHECK(half.is_closed());
}

}  // namespace
}  // namespace tickledger
