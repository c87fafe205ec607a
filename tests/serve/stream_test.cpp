// Server-sent events: watchers, and nobody else, receive what was published.
#include <atomic>
#include <catch2/catch.hpp>
#include <thread>

#include "serve/api_fixture.hpp"
#include "serve/http_server.hpp"
#include "serve/news.hpp"
#include "serve/raw_client.hpp"
#include "support/wait_until.hpp"

namespace tickledger {
namespace {

using test::ApiFixture;
using test::RawClient;
using test::wait_until;

MeterPublication reading_of(const std::string& meter, int flow) {
    return {.kind = MeterPublication::Kind::now,
            .meter = meter,
            .payload = R"({"time":"2026-03-01T08:00:00+00:00","flow_l_per_h":)" + std::to_string(flow) + "}"};
}

const std::string alarm = R"({"id":7,"meter":"garden","kind":"night-flow"})";
const MeterPublication alarm_of_garden{.kind = MeterPublication::Kind::alarm,
                                       .meter = "garden",
                                       .payload = alarm,
                                       .alarm = AlarmKind::night_flow};

/// The API served on a socket, with news.
struct Served {
    explicit Served(HttpLimits limits = {}) {
        auto parts = fixture.parts();
        parts.health = [this] {
            HealthFacts facts = fixture.health;
            facts.broker_connected = broker_connected;
            return facts;
        };
        parts.news = &news;
        api = std::make_unique<Api>(std::move(parts));
        std::vector<ListenSocket> sockets;
        sockets.push_back(ListenSocket::on_path(path, 0600).value());
        server = HttpServer::start(std::move(sockets), limits,
                                   [this](const Request& request) { return api->handle(request); });
        news.wake_with([this] { server->wake(); });
    }
    ~Served() { news.wake_with({}); }

    ApiFixture fixture;
    std::filesystem::path path = fixture.directory / "api.sock";
    std::atomic<bool> broker_connected = true;
    News news;
    std::unique_ptr<Api> api;
    std::unique_ptr<HttpServer> server;
};

/// A listener and what it has received so far.
class Listener {
public:
    explicit Listener(const Served& served, const std::string& target = "/v1/stream") : client_(served.path) {
        client_.send("GET " + target + " HTTP/1.1\r\nHost: localhost\r\n\r\n");
        REQUIRE(hears("event: hello\n"));
    }

    bool hears(const std::string& text) {
        return wait_until([&] {
            heard_ += client_.take();
            return heard_.find(text) != std::string::npos;
        });
    }
    [[nodiscard]] const std::string& heard() const { return heard_; }

private:
    RawClient client_;
    std::string heard_;
};

}  // namespace

TEST_CASE("a watcher receives readings, rows and alarms as soon as they are booked, each as a named event") {
    Served served;
    Listener listener(served);
    CHECK(listener.heard().find("Content-Type: text/event-stream\r\n") != std::string::npos);
    CHECK(listener.heard().find("Cache-Control: no-store\r\n") != std::string::npos);
    CHECK(listener.hears(
        "event: health\ndata: {\"state\":\"up\",\"troubles\":[],\"unreadable\":0,\"stray\":0}\n\n"));
    served.news.hear(
        {reading_of("house", 480),
         {.kind = MeterPublication::Kind::usage,
          .meter = "house",
          .payload = R"({"meter":"house","ticks":4})"},
         {.kind = MeterPublication::Kind::day, .meter = "house", .payload = R"({"meter":"house","ticks":9})"},
         alarm_of_garden});
    CHECK(
        listener.hears("event: reading\ndata: "
                       R"({"meter":"house","time":"2026-03-01T08:00:00+00:00","flow_l_per_h":480})"
                       "\n\nevent: interval\ndata: {\"meter\":\"house\",\"ticks\":4}\n\n"
                       "event: day\ndata: {\"meter\":\"house\",\"ticks\":9}\n\n"
                       "event: alarm\ndata: " +
                       alarm + "\n\n"));
}

TEST_CASE("a watcher of one meter receives only its readings, and every alarm") {
    Served served;
    Listener all(served);
    Listener one(served, "/v1/stream?meter=house");
    served.news.hear({reading_of("garden", 1), reading_of("house", 2), alarm_of_garden});
    REQUIRE(one.hears("event: alarm"));
    CHECK(one.heard().find("\"flow_l_per_h\":2}") != std::string::npos);
    CHECK(one.heard().find("\"flow_l_per_h\":1}") == std::string::npos);
    CHECK(all.hears("\"flow_l_per_h\":1}"));
    CHECK(served.fixture.refusal("/v1/stream?meter=barn", 404).find("barn") != std::string::npos);
}

TEST_CASE("the stream of a meter that is only in the ledger is refused, but not as a meter that never was") {
    ApiFixture fixture;
    fixture.meter("cellar");
    CHECK_THAT(fixture.refusal("/v1/stream?meter=cellar", 404),
               Catch::Contains("\"cellar\"") && Catch::Contains("not in the configuration"));
}

TEST_CASE("a change of the daemon's health is sent although nothing is booked") {
    HttpLimits limits;
    limits.look_for_news = std::chrono::milliseconds{20};
    Served served(limits);
    Listener listener(served);
    REQUIRE(listener.hears("\"state\":\"up\""));
    served.broker_connected = false;
    CHECK(listener.hears(
        "event: health\ndata: {\"state\":\"degraded\",\"troubles\":[\"The broker is not connected.\"],"));
}

TEST_CASE("waiting watchers block no other request, and each receives every event") {
    Served served;
    std::vector<std::unique_ptr<Listener>> listeners;
    for (std::size_t i = 0; i < News::watchers_max; ++i)
        listeners.push_back(std::make_unique<Listener>(served));
    CHECK(test::get(served.path, "/v1/health").status == 200);

    // One more is refused. When one has left, there is room.
    const auto refused = test::get(served.path, "/v1/stream");
    CHECK(refused.status == 503);
    CHECK(refused.body.find("32 streams") != std::string::npos);
    listeners.pop_back();
    CHECK(wait_until([&] {
        auto watcher = served.news.watch();
        return watcher != nullptr;
    }));

    served.news.hear({reading_of("house", 3)});
    for (const auto& listener : listeners)
        CHECK(listener->hears("\"flow_l_per_h\":3}"));
    listeners.clear();
    CHECK(wait_until([&] { return !served.news.listens(); }));
}

TEST_CASE("HEAD of a stream ends and does not count as a watcher") {
    Served served;
    RawClient client(served.path);
    REQUIRE(client.send("HEAD /v1/stream HTTP/1.1\r\nHost: localhost\r\n\r\n"));
    const auto answer = client.receive(true);
    REQUIRE(answer);
    CHECK(answer->status == 200);
    CHECK(wait_until([&] { return !served.news.listens(); }));
    REQUIRE(client.send("GET /v1/health HTTP/1.1\r\nHost: localhost\r\n\r\n"));
    CHECK(client.receive()->status == 200);
}

TEST_CASE("the server stops while a client watches") {
    auto served = std::make_unique<Served>();
    Listener listener(*served);
    std::atomic<bool> stops = false;
    std::thread booking([&, &news = served->news] {
        while (!stops)
            news.hear({reading_of("house", 1)});
    });
    CHECK(listener.hears("event: reading"));
    served->news.wake_with({});
    served->server.reset();
    stops = true;
    booking.join();
}

TEST_CASE("nothing is kept while nobody watches, and a slow watcher is told that it missed events") {
    News news(3);
    CHECK_FALSE(news.listens());
    news.hear({reading_of("house", 1)});
    auto watcher = news.watch();
    CHECK(news.listens());
    std::string text;
    watcher->take(text, "");
    CHECK(text.empty());

    news.hear({reading_of("house", 1), reading_of("house", 2), reading_of("house", 3)});
    watcher->take(text, "");
    CHECK(text.find("missed") == std::string::npos);
    CHECK(text.find("\"flow_l_per_h\":1}") != std::string::npos);

    text.clear();
    news.hear(
        {reading_of("house", 4), reading_of("house", 5), reading_of("house", 6), reading_of("house", 7)});
    watcher->take(text, "");
    CHECK(text.starts_with("event: missed\ndata: {}\n\n"));
    CHECK(text.find("\"flow_l_per_h\":4}") == std::string::npos);
    CHECK(text.find("\"flow_l_per_h\":7}") != std::string::npos);
    watcher.reset();
    CHECK_FALSE(news.listens());
}

}  // namespace tickledger
