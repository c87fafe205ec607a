// The page's files: what is served, with which header fields, and that nothing else is.
#include "serve/page.hpp"

#include <catch2/catch.hpp>
#include <regex>
#include <set>

#include "serve/api_fixture.hpp"
#include "serve/http_server.hpp"
#include "serve/raw_client.hpp"

namespace tickledger {
namespace {

using test::ApiFixture;
using test::RawClient;

struct ServedPage {
    ServedPage() {
        std::vector<ListenSocket> sockets;
        sockets.push_back(ListenSocket::on_path(path, 0600).value());
        server = HttpServer::start(std::move(sockets), {},
                                   [this](const Request& request) { return fixture.api->handle(request); });
    }
    [[nodiscard]] test::RawAnswer ask(const std::string& head, bool is_head = false) const {
        RawClient client(path);
        client.send(head + "\r\nHost: localhost\r\n\r\n");
        return client.receive(is_head).value();
    }

    ApiFixture fixture;
    std::filesystem::path path = fixture.directory / "api.sock";
    std::unique_ptr<HttpServer> server;
};

bool has_field(const test::RawAnswer& answer, const std::string& line) {
    return answer.head.find("\r\n" + line) != std::string::npos;
}

}  // namespace

TEST_CASE("the page's policy allows only its own files, and each file has its media type") {
    const ServedPage served;
    for (const PageFile& file : page_files()) {
        CAPTURE(file.path);
        const auto answer = test::get(served.path, file.path);
        CHECK(answer.status == 200);
        CHECK(answer.body == file.text);
        CHECK(has_field(answer, "Content-Type: " + std::string(file.content_type) + "\r\n"));
        CHECK(has_field(answer,
                        "Content-Security-Policy: default-src 'none'; script-src 'self'; style-src 'self'; "
                        "img-src 'self'; connect-src 'self'; base-uri 'none'; form-action 'none'; "
                        "frame-ancestors 'none'; "));
        CHECK(has_field(answer, "X-Content-Type-Options: nosniff\r\n"));
        CHECK(has_field(answer, "Referrer-Policy: no-referrer\r\n"));
    }
    CHECK(test::get(served.path, "/").body.starts_with("<!DOCTYPE html>"));
}

TEST_CASE("a cached file of the page is not sent again while it is unchanged") {
    const ServedPage served;
    const auto first = test::get(served.path, "/page/app.js");
    CHECK(has_field(first, "Cache-Control: no-cache\r\n"));
    std::smatch tag;
    REQUIRE(std::regex_search(first.head, tag, std::regex("\r\nETag: (\"[0-9a-f]{16}\")\r\n")));
    RawClient client(served.path);
    REQUIRE(client.send("GET /page/app.js HTTP/1.1\r\nHost: localhost\r\nIf-None-Match: W/" + tag[1].str() +
                        ", \"other\"\r\n\r\nGET /page/app.js HTTP/1.1\r\nHost: localhost\r\nIf-None-Match: "
                        "\"0123456789abcdef\"\r\n\r\n"));
    const auto kept = client.receive(true);
    REQUIRE(kept);
    CHECK(kept->status == 304);
    CHECK_FALSE(has_field(*kept, "Content-Length:"));
    const auto changed = client.receive();
    REQUIRE(changed);
    CHECK(changed->status == 200);
    CHECK(changed->body == first.body);
    std::set<std::string_view> tags;
    for (const PageFile& file : page_files())
        tags.insert(file.tag);
    CHECK(tags.size() == page_files().size());
}

TEST_CASE("no other file is served, however it is requested") {
    const ServedPage served;
    for (const char* target :
         {"/page", "/page/", "/page/../etc/passwd", "/page/..%2f..%2fetc/passwd", "/page/app.js/",
          "/page//app.js", "/index.html", "/page/index.html", "//", "/page/app.js%00"}) {
        CAPTURE(target);
        CHECK(test::get(served.path, target).status == 404);
    }
    const auto head = served.ask("HEAD / HTTP/1.1", true);
    CHECK(head.status == 200);
    const auto post = served.ask("POST / HTTP/1.1");
    CHECK(post.status == 405);
    CHECK(has_field(post, "Allow: GET, HEAD\r\n"));
}

TEST_CASE("the page names no other server and contains no inline script or style") {
    const std::regex address("[a-z]+://[^\"' )]*");
    for (const PageFile& file : page_files()) {
        CAPTURE(file.path);
        const std::string text(file.text);
        for (std::sregex_iterator match(text.begin(), text.end(), address), end; match != end; ++match) {
            // SVG's namespace, which no browser fetches.
            CHECK(match->str() == "http://www.w3.org/2000/svg");
        }
        if (file.path != "/") continue;
        CHECK_FALSE(std::regex_search(text, std::regex("<script[^>]*>[^<]|<style| style=| on[a-z]+=")));
    }
}

}  // namespace tickledger
