// The engine without threads: what a step books, removes, packs and sends.
#include "engine/engine.hpp"

#include <catch2/catch.hpp>
#include <string>
#include <vector>

#include "engine/event_source.hpp"
#include "engine/opened_store.hpp"
#include "store/database.hpp"
#include "support/temp_directory.hpp"

using namespace tickledger;
using namespace tickledger::test;
using std::chrono::hours;
using std::chrono::minutes;
using std::chrono::seconds;

namespace {

const Instant midnight = std::chrono::sys_days{std::chrono::year{2026} / 3 / 1};

std::vector<MeterSettings> one_meter() {
    MeterSettings meter;
    meter.id = "house";
    meter.topic = "nodes/house";
    return {meter};
}

Message message_of(Instant at, int count) {
    Message message;
    message.arrived_at = at;
    message.topic = "nodes/house";
    message.payload = "{\"count\":" + std::to_string(count) + "}";
    return message;
}

/// A store on the disk and the engine over its message log.
class Server {
public:
    explicit Server(EngineSettings settings = {.pack_after = hours{24}}) {
        auto opened = open_store(*files, directory.path(), meters, 1, zone, midnight - hours{24});
        REQUIRE(opened.has_value());
        store = std::move(*opened);
        source.emplace(*files, directory.path() / messages_name, *store.log, store.booked_to);
        engine.emplace(*store.ledger, *store.bookkeeper, *source, store.booked_to, settings,
                       [](Level, const std::string& text) { FAIL(text); });
    }

    void hear(Instant at, int count) { REQUIRE(store.log->append(message_of(at, count), at)); }
    /// A reading every hour for this many days.
    void hear_days(int days) {
        for (int hour = 0; hour < days * 24; ++hour)
            hear(midnight + hours{hour}, hour);
    }
    /// The first column of the first row, as any reader of the file sees it.
    std::int64_t count(const char* sql) {
        auto database = Database::open(directory.path() / ledger_name, Database::Access::read);
        REQUIRE(database.has_value());
        return (*database)->integer(sql).value();
    }

    TempDirectory directory;
    std::unique_ptr<Files> files = machine_files();
    std::vector<MeterSettings> meters = one_meter();
    CivilZone zone = CivilZone::find("UTC").value();
    OpenedStore store;
    std::optional<LogSource> source;
    std::optional<Engine> engine;
};

/// A recording in memory.
class Recorded final : public EventSource {
public:
    explicit Recorded(std::vector<Event> events, bool ends) : events_(std::move(events)), ends_(ends) {}
    void look(Instant) override {}
    Result<std::optional<LoggedEvent>> next() override {
        if (at_ == events_.size()) return std::nullopt;
        return LoggedEvent{events_[at_++], LogPosition{}};
    }
    [[nodiscard]] std::optional<Instant> reached() const override { return time_of(events_.back()); }
    [[nodiscard]] bool has_ended() const override { return ends_ && at_ == events_.size(); }
    Result<void> remove_before(Instant, const LogPosition&) override { return {}; }

private:
    std::vector<Event> events_;
    bool ends_;
    std::size_t at_ = 0;
};

}  // namespace

TEST_CASE("a step books the log and sends each publication once while the link is up") {
    Server server;
    server.hear(midnight + minutes{1}, 10);
    server.hear(midnight + minutes{2}, 12);
    std::vector<std::string> sent;
    const auto send = [&](const Outgoing& outgoing) {
        sent.push_back(outgoing.topic);
        return true;
    };
    CHECK(server.engine->step(midnight + minutes{3}) == Engine::Step::done);
    CHECK(server.store.bookkeeper->counts().booked == 2);
    CHECK(server.engine->booked_to() == server.store.log->end());
    CHECK(server.engine->step(midnight + minutes{3}, send) == Engine::Step::done);
    CHECK(sent == std::vector<std::string>{"meters/house/now"});
    (void)server.engine->step(midnight + minutes{3}, send);
    CHECK(sent.size() == 1);
    server.engine->publisher().link_went_down();
    (void)server.engine->step(midnight + minutes{3}, send);
    CHECK(sent.size() == 2);
}

TEST_CASE("a link that takes nothing more is offered the same publication again") {
    Server server;
    server.hear(midnight + minutes{1}, 10);
    int offered = 0;
    for (int i = 0; i < 3; ++i) {
        (void)server.engine->step(midnight + minutes{3}, [&](const Outgoing&) {
            ++offered;
            return false;
        });
    }
    CHECK(offered == 3);
}

TEST_CASE("a running engine packs one day a second, a replay all of them at once") {
    const char* packed_days = "SELECT count(*) FROM packed_day";
    const Instant now = midnight + hours{24 * 6};
    Server live;
    live.hear_days(4);
    while (live.engine->step(now) == Engine::Step::more) {
    }
    CHECK(live.count(packed_days) == 1);
    (void)live.engine->step(now);
    CHECK(live.count(packed_days) == 1);
    (void)live.engine->step(now + seconds{1});
    CHECK(live.count(packed_days) == 2);

    Server replayed({.pack_after = hours{24}, .packing_every = Duration{0}});
    replayed.hear_days(4);
    while (replayed.engine->step(now) == Engine::Step::more) {
    }
    CHECK(replayed.count(packed_days) == 4);
}

/// The earliest end of an entry, in plain rows and in groups.
constexpr const char* first_end =
    "SELECT min(to_us) FROM (SELECT to_us FROM entry UNION ALL SELECT to_us FROM entry_group)";

TEST_CASE("data beyond its retention is removed, but never a message that is not booked yet") {
    Server server({.pack_after = hours{24 * 30}, .retention = Retention{hours{24 * 2}, hours{24}}});
    server.hear_days(4);
    const auto is_there = [&](const char* name) {
        return std::filesystem::exists(server.directory.path() / messages_name / name);
    };
    REQUIRE(is_there("2026-03-01.jsonl"));
    while (server.engine->step(midnight + hours{24 * 4}) == Engine::Step::more) {
    }
    CHECK_FALSE(is_there("2026-03-01.jsonl"));
    CHECK(is_there("2026-03-03.jsonl"));
    CHECK(server.count(first_end) >= microseconds_of(midnight + hours{24 * 3}));
    // Rows of hours stay.
    CHECK(server.count("SELECT min(start_us) FROM usage_row WHERE step = 1") == microseconds_of(midnight));
}

TEST_CASE("a clock two years ahead removed the fine detail of the real days") {
    Server server({.pack_after = hours{24 * 30}, .retention = Retention{hours{24 * 30}, hours{24 * 3}}});
    server.hear_days(4);
    const Instant far_ahead = midnight + hours{24 * 800};
    while (server.engine->step(far_ahead) == Engine::Step::more) {
    }
    // Only the first day has three later days that were seen.
    const std::int64_t first_us = server.count(first_end);
    CHECK(first_us >= microseconds_of(midnight + hours{24}));
    CHECK(first_us < microseconds_of(midnight + hours{48}));
    CHECK(server.count("SELECT value / 1 FROM fact WHERE name = 'fine_detail_from'") ==
          microseconds_of(midnight + hours{24}));
}

TEST_CASE("an unfinished backlog at the end of the log waits, and is booked if the recording has ended") {
    const std::vector<Event> events{LinkChange{midnight, true, true},
                                    message_of(midnight + std::chrono::milliseconds{10}, 5)};
    for (const bool ends : {false, true}) {
        Server server;
        Recorded recorded(events, ends);
        Engine engine(*server.store.ledger, *server.store.bookkeeper, recorded, {}, {},
                      [](Level, const std::string& text) { FAIL(text); });
        CHECK(engine.step(Instant::max()) == Engine::Step::done);
        CHECK(server.store.bookkeeper->counts().booked == (ends ? 1 : 0));
    }
}
