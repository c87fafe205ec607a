#include "serve/access.hpp"

#include <sys/stat.h>
#include <unistd.h>

#include <catch2/catch.hpp>

#include "serve/http_server.hpp"
#include "serve/raw_client.hpp"
#include "support/temp_directory.hpp"

namespace tickledger {
namespace {

using test::RawClient;

constexpr std::string_view token = "0123456789abcdef";

TEST_CASE("a token is accepted in the forms of RFC 6750 and RFC 7617, and in no other form") {
    CHECK(shows_token("Bearer 0123456789abcdef", token));
    CHECK(shows_token("bearer  0123456789abcdef", token));
    CHECK_FALSE(shows_token("Bearer 0123456789abcdeF", token));
    CHECK_FALSE(shows_token("Bearer 0123456789abcdef0", token));
    CHECK_FALSE(shows_token("Bearer", token));
    CHECK_FALSE(shows_token("0123456789abcdef", token));
    CHECK_FALSE(shows_token("", token));
    // The example of RFC 7617, section 2: user "Aladdin", password "open sesame".
    CHECK(shows_token("Basic QWxhZGRpbjpvcGVuIHNlc2FtZQ==", "open sesame"));
    CHECK_FALSE(shows_token("Basic QWxhZGRpbjpvcGVuIHNlc2FtZQ==", "open sesam"));
    CHECK_FALSE(shows_token("Basic QWxhZGRpbjpvcGVuIHNlc2FtZQ", "open sesame"));
    // RFC 7617, section 2.1: user "test", password "123" and a pound sign in UTF-8.
    CHECK(shows_token("Basic dGVzdDoxMjPCow==", "123\xc2\xa3"));
    CHECK_FALSE(shows_token("Basic ????", token));
    CHECK_FALSE(shows_token("Basic ", token));
    // No colon: "no colon".
    CHECK_FALSE(shows_token("Basic bm8gY29sb24=", "no colon"));
}

TEST_CASE("a token that can be guessed, or that everyone can read, is refused") {
    const test::TempDirectory directory;
    const auto file = [&](std::string_view text, mode_t mode) {
        const auto path = directory.write("token", text);
        REQUIRE(::chmod(path.c_str(), mode) == 0);
        return path.string();
    };
    CHECK(read_token(file("0123456789abcdef\n", 0440)).value() == token);
    CHECK_THAT(read_token(file("0123456789abcde\n", 0440)).error().text,
               Catch::Contains("15 characters") && Catch::Contains("openssl rand"));
    CHECK_THAT(read_token(file("0123456789abcdef\n", 0444)).error().text, Catch::Contains("chmod 0640"));
    CHECK_THAT(read_token((directory / "none").string()).error().text, Catch::Contains("socket.token_file"));
}

TEST_CASE("with a token the server listens on any address and answers nothing without the token") {
    auto socket = ListenSocket::on_tcp("0.0.0.0:0", ListenSocket::Reach::everyone);
    REQUIRE(socket);
    const unsigned port = socket->port();
    std::vector<ListenSocket> sockets;
    sockets.push_back(*std::move(socket));
    int answered = 0;
    const auto server = HttpServer::start(
        std::move(sockets), {},
        [&](const Request&) {
            ++answered;
            return Response{};
        },
        {}, std::string(token));
    RawClient client(port);
    const auto ask = [&](const std::string& fields, const std::string& method = "GET") {
        REQUIRE(client.send(method + " /v1/meters HTTP/1.1\r\nHost: water.example:8470\r\n" + fields +
                            "Content-Length: 0\r\n\r\n"));
        return client.receive().value();
    };
    const auto refused = ask("");
    CHECK(refused.status == 401);
    CHECK(refused.head.find("WWW-Authenticate: Basic realm=\"Tickledger\"") != std::string::npos);
    CHECK(ask("Authorization: Bearer 0123456789abcdeX\r\n").status == 401);
    CHECK(answered == 0);
    const std::string shown = "Authorization: Bearer 0123456789abcdef\r\n";
    CHECK(ask(shown).status == 200);
    CHECK(answered == 1);
    // A browser sends the stored password with requests from another site's page, too.
    CHECK(ask(shown + "Origin: http://elsewhere.example\r\n", "POST").status == 403);
    CHECK(ask(shown + "Origin: https://water.example:8470\r\n", "POST").status == 200);
}

TEST_CASE("the socket file belongs to the configured group, and an unknown group is reported") {
    const test::TempDirectory directory;
    const auto unknown = ListenSocket::on_path(directory / "api.sock", 0660, "no-such-group");
    REQUIRE_FALSE(unknown);
    CHECK_THAT(unknown.error().text, Catch::Contains("no-such-group") && Catch::Contains("[socket] group"));
    if (::geteuid() != 0) return;
    const auto given = ListenSocket::on_path(directory / "api.sock", 0660, "daemon");
    REQUIRE(given);
    struct stat status {};
    REQUIRE(::stat((directory / "api.sock").c_str(), &status) == 0);
    CHECK(status.st_gid == 1);  // Debian's base-passwd gives the group daemon this number.
}

}  // namespace
}  // namespace tickledger
