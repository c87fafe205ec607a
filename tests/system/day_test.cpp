// Days of one meter through the whole chain: messages, topics, the socket's answers and the client.
#include <date/date.h>
#include <fmt/format.h>

#include <catch2/catch.hpp>
#include <fstream>

#include "support/mosquitto_process.hpp"
#include "system/site.hpp"
#include "tickledger/time.hpp"

using namespace tickledger;
using namespace tickledger::test;
using nlohmann::json;
using std::chrono::minutes;

namespace {

constexpr const char* house = R"(
[[meter]]
id = "house"
topic = "nodes/cellar/water"
interval = "15min"
)";

/// A message every three minutes, from the midnight before the day before yesterday's until 40 minutes ago.
/// The water stands still except for one draw a day. From the evening of the first day on, a litre runs every
/// three minutes, which is 20 L/h.
struct Recording {
    std::string lines;
    std::uint64_t count = 1000;
    std::uint64_t seq = 0;
    Instant last{};
    std::map<Instant, std::int64_t> ticks_by_day;

    [[nodiscard]] std::int64_t ticks() const { return static_cast<std::int64_t>(count) - 1000; }
};

constexpr auto cadence = minutes{3};
constexpr auto day_length = std::chrono::hours{24};

Instant now() {
    return std::chrono::time_point_cast<Duration>(std::chrono::system_clock::now());
}

Recording recorded_days() {
    Recording made;
    const Instant first = std::chrono::floor<date::days>(now()) - 2 * day_length;
    const Instant leak_from = first + std::chrono::hours{20};
    for (Instant at = first; at <= now() - minutes{40}; at += cadence) {
        const Instant day = std::chrono::floor<date::days>(at - Duration{1});
        std::uint64_t ticks = at > leak_from ? 1 : 0;
        if (at - day == std::chrono::hours{7}) ticks += 12;
        if (at == first) ticks = 0;
        made.count += ticks;
        if (at > first) made.ticks_by_day[day] += static_cast<std::int64_t>(ticks);
        made.last = at;
        made.lines += fmt::format(
            R"({{"tst":"{0}","topic":"nodes/cellar/water","qos":1,"retain":0,"payload":"{{\"count\":{1},\"boot\":3,\"seq\":{2},\"time\":\"{0}\"}}"}})"
            "\n",
            format_utc(at), made.count, ++made.seq);
    }
    return made;
}

json alarm_of_kind(const Site& site, const std::string& kind) {
    const json answer = site.get("/v1/alarms");
    for (const json& alarm : answer.at("alarms")) {
        if (alarm.at("kind") == kind) return alarm;
    }
    return nullptr;
}

json retained(const MosquittoProcess& broker, const std::string& topic) {
    return json::parse(broker.retained(topic), nullptr, false);
}

/// What was published on a topic, in order.
std::vector<json> published(const Watcher& watcher, const std::string& topic) {
    std::vector<json> documents;
    for (const std::string& line : watcher.lines()) {
        if (line.starts_with(topic + " ")) documents.push_back(json::parse(line.substr(topic.size() + 1)));
    }
    return documents;
}

}  // namespace

TEST_CASE("days of messages come out as topics, answers and tables") {
    const Recording recording = recorded_days();
    MosquittoProcess broker;
    Watcher watcher(broker, "tickledger/#");
    Site site({.broker_url = broker.url(), .meters = house});
    const auto file = site.directory().write("recording.jsonl", recording.lines);
    const Outcome replayed = site.replay({file.string()});
    INFO(replayed.error);
    REQUIRE(replayed.status == 0);

    // The leak was found by the recording's own clock, in the first night that it filled.
    site.start();
    const json raised = alarm_of_kind(site, "night-flow");
    REQUIRE(raised.is_object());
    CHECK(raised.at("state") == "unacknowledged");
    CHECK(raised.at("cleared_at").is_null());
    const Instant first_leaking_night =
        std::chrono::floor<date::days>(now()) - day_length + std::chrono::hours{5};
    CHECK(parse_rfc3339(raised.at("raised_at").get<std::string>()).value() == first_leaking_night);
    const std::string night_topic = "tickledger/meters/house/alarms/night-flow";
    CHECK(wait_until([&] { return retained(broker, night_topic) == raised; }));

    // The node has been silent for 40 minutes by the server's clock.
    CHECK(wait_until([&] { return alarm_of_kind(site, "node-silent").is_object(); }));
    CHECK(alarm_of_kind(site, "node-silent").at("cleared_at").is_null());

    // One live message shows that nothing has run since, which proves a stretch without a tick. The silence
    // ends only after the node has sent for a while.
    REQUIRE(site.becomes_subscribed());
    broker.publish("nodes/cellar/water", fmt::format(R"({{"count":{},"boot":3,"seq":{},"time":"{}"}})",
                                                     recording.count, recording.seq + 1, format_utc(now())));
    CHECK(wait_until([&] { return !alarm_of_kind(site, "night-flow").at("cleared_at").is_null(); }));
    CHECK(alarm_of_kind(site, "node-silent").at("cleared_at").is_null());
    CHECK(site.get("/v1/health").at("meters")[0].at("silent_since").is_null());
    CHECK(alarm_of_kind(site, "night-flow").at("state") == "returned-unacknowledged");
    CHECK(wait_until([&] { return retained(broker, night_topic) == alarm_of_kind(site, "night-flow"); }));

    // Yesterday's row, the register and the closed intervals are published as they are answered.
    const Instant yesterday = std::chrono::floor<date::days>(now()) - day_length;
    const std::string range =
        "&from=" + date::format("%F", yesterday) + "&to=" + date::format("%F", yesterday + day_length);
    const json days = site.get("/v1/meters/house/usage?step=day" + range);
    REQUIRE(days.at("rows").size() == 1);
    const json& day = days.at("rows")[0];
    CHECK(day.at("ticks") == recording.ticks_by_day.at(yesterday));
    CHECK(wait_until([&] {
        const json told = retained(broker, "tickledger/meters/house/day");
        return told.is_object() && told.at("from") == day.at("from") && told.at("ticks") == day.at("ticks") &&
               told.at("volume_l") == day.at("volume_l");
    }));
    const json meter = site.get("/v1/meters").at("meters").at(0);
    CHECK(meter.at("register_m3").get<double>() == Approx(static_cast<double>(recording.ticks()) / 1000));
    CHECK(wait_until([&] {
        const json told = retained(broker, "tickledger/meters/house/now");
        return told.is_object() && told.at("register_m3") == meter.at("register_m3") &&
               told.at("time") == meter.at("last_reading_at");
    }));
    const auto intervals = published(watcher, "tickledger/meters/house/usage");
    REQUIRE_FALSE(intervals.empty());
    const json answered =
        site.get("/v1/meters/house/usage?step=interval&from=" + date::format("%F", yesterday) +
                 "&to=" + date::format("%F", yesterday + 2 * day_length));
    for (json told : intervals) {
        CHECK(told.at("meter") == "house");
        told.erase("meter");
        told.erase("mean_flow_l_per_h");
        const auto& rows = answered.at("rows");
        INFO(told.dump());
        CHECK(std::any_of(rows.begin(), rows.end(), [&](const json& row) {
            return row.at("from") == told.at("from") &&
                   (row == told || row.at("revision") > told.at("revision"));
        }));
    }

    // The client prints the same answers, as JSON and as tables.
    const Outcome client =
        site.client({"--json", "usage", "house", "--step", "day", "--from", date::format("%F", yesterday),
                     "--to", date::format("%F", yesterday + day_length)});
    CHECK(client.status == 0);
    CHECK(client.out == site.text("/v1/meters/house/usage?step=day" + range));
    const Outcome table =
        site.client({"usage", "house", "--step", "day", "--from", date::format("%F", yesterday), "--to",
                     date::format("%F", yesterday + day_length)});
    CHECK(table.out.find(std::to_string(recording.ticks_by_day.at(yesterday))) != std::string::npos);
    CHECK(site.client({"alarms"}).out.find("night-flow") != std::string::npos);
    CHECK(ticks_of(site.get("/v1/meters/house/usage?step=year")) == recording.ticks());
}

TEST_CASE("the status topic says up while the daemon runs, and down however it ends") {
    MosquittoProcess broker;
    Site site({.broker_url = broker.url(), .meters = house});
    const auto status = [&] { return broker.retained("tickledger/status"); };
    for (const bool dies : {false, true}) {
        site.start();
        CHECK(wait_until([&] { return status() == R"({"state":"up"})"; }));
        if (dies) {
            site.kill();
        } else {
            CHECK(site.stop() == 0);
        }
        CHECK(wait_until([&] { return status() == R"({"state":"down"})"; }));
    }
}
