// Requests that wait until all accepted messages are booked; others are answered in the meantime.
#include <algorithm>
#include <atomic>
#include <catch2/catch.hpp>
#include <mutex>

#include "serve/api_fixture.hpp"
#include "serve/http_server.hpp"
#include "serve/raw_client.hpp"
#include "support/temp_directory.hpp"
#include "support/wait_until.hpp"

namespace tickledger {
namespace {

using test::RawClient;
using test::wait_until;

/// A server whose requests below /data wait until the test says that all is booked.
struct Waiting {
    Waiting() {
        std::vector<ListenSocket> sockets;
        sockets.push_back(ListenSocket::on_path(path, 0660).value());
        server = HttpServer::start(
            std::move(sockets), {},
            [this](const Request& request) {
                Response response;
                response.is_to_wait =
                    request.path == "/data" && request.sees_accepted == SeesAccepted::ask_again;
                response.body = request.method + " " + request.path;
                if (request.sees_accepted == SeesAccepted::yes) response.body += " booked";
                if (!response.is_to_wait) ++answered;
                return response;
            },
            {}, {}, {},
            [this](std::function<void()> then) {
                const std::lock_guard lock(mutex);
                waiting.push_back(std::move(then));
            });
    }
    [[nodiscard]] std::size_t waits() {
        const std::lock_guard lock(mutex);
        return waiting.size();
    }
    void book_all() {
        std::vector<std::function<void()>> ready;
        {
            const std::lock_guard lock(mutex);
            ready.swap(waiting);
        }
        for (const auto& then : ready)
            then();
    }

    test::TempDirectory directory;
    std::filesystem::path path = directory / "api.sock";
    std::mutex mutex;
    std::vector<std::function<void()>> waiting;
    std::atomic<int> answered = 0;
    std::unique_ptr<HttpServer> server;
};

std::string line(const std::string& method, const std::string& path) {
    return method + " " + path + " HTTP/1.1\r\nHost: localhost\r\nContent-Length: 0\r\n\r\n";
}

TEST_CASE("a request that waited for the booking held up every other one") {
    Waiting served;
    RawClient asks_for_data(served.path);
    REQUIRE(asks_for_data.send(line("GET", "/data") + line("GET", "/next")));
    REQUIRE(wait_until([&] { return served.waits() == 1; }));
    CHECK(test::get(served.path, "/health").body == "GET /health");
    CHECK(served.answered == 1);
    served.book_all();
    // One connection keeps its order.
    CHECK(asks_for_data.receive().value().body == "GET /data booked");
    CHECK(asks_for_data.receive().value().body == "GET /next");
}

TEST_CASE("a request that changes something is handled only once") {
    Waiting served;
    RawClient tells(served.path);
    REQUIRE(tells.send(line("POST", "/data") + line("DELETE", "/data")));
    CHECK(tells.receive().value().body == "POST /data");
    CHECK(tells.receive().value().body == "DELETE /data");
    CHECK(served.waits() == 0);
}

TEST_CASE("the server stops while requests wait, and the booking continues") {
    Waiting served;
    RawClient stays(served.path);
    REQUIRE(stays.send(line("GET", "/data")));
    {
        const RawClient leaves(served.path);
        REQUIRE(leaves.send(line("HEAD", "/data")));
        REQUIRE(wait_until([&] { return served.waits() == 2; }));
    }
    served.server.reset();
    CHECK(stays.is_closed());
    served.book_all();
    CHECK(served.answered == 0);
}

TEST_CASE("each request for data asks to be called again and then no longer waits") {
    const test::ApiFixture fixture;
    for (const Route& route : routes()) {
        // The stream does not wait, and it needs a publisher of events.
        if (route.method != "GET" || route.path == "/v1/stream") continue;
        std::string path(route.path);
        if (const auto place = path.find("{id}"); place != std::string::npos) path.replace(place, 4, "house");
        CAPTURE(path);
        Request request = test::sure(read_target(path));
        request.sees_accepted = SeesAccepted::not_yet;
        fixture.caught_up = 0;
        static_cast<void>(fixture.api->handle(request));
        const bool waits = fixture.caught_up > 0;
        request.sees_accepted = SeesAccepted::ask_again;
        fixture.caught_up = 0;
        CHECK(fixture.api->handle(request).is_to_wait == waits);
        CHECK(fixture.caught_up == 0);
        request.sees_accepted = SeesAccepted::yes;
        CHECK_FALSE(fixture.api->handle(request).is_to_wait);
        CHECK(fixture.caught_up == 0);
    }
}

}  // namespace
}  // namespace tickledger
