// A log whose stamps were ahead of the time, and how it gets its true times.
#include "store/redating.hpp"

#include <rapidcheck/catch.h>

#include <catch2/catch.hpp>

#include "logs.hpp"
#include "support/sim_files.hpp"

using namespace tickledger;
using namespace tickledger::test;
using std::chrono::hours;
using std::chrono::minutes;
using std::chrono::seconds;

namespace {

const Instant noon = at("2026-03-01T12:00:00Z");
constexpr Duration ahead = hours{72};
const std::filesystem::path mended = "/mended";

/// Two messages with true stamps, then a start three days ahead with two messages and a reading by eye.
struct AheadLog {
    AheadLog() {
        append(count(1), noon);
        append(count(2), noon + hours{1});
        append(LinkChange{{}, false, false}, noon + hours{1});
        before = log->end();
        append(count(3), noon + hours{2} + ahead);
        append(
            Instruction{{}, R"({"do":"read-register","meter":"house","time":"2026-03-04T14:30:00.000000Z"})"},
            noon + hours{3} + ahead);
        append(count(4), noon + hours{3} + ahead);
    }
    void append(Event event, Instant stamp) { REQUIRE(log->append(std::move(event), stamp)); }
    void clock_is_right(Instant time, Instant stamp) { append(ClockSet{{}, seconds{90}, time}, stamp); }
    [[nodiscard]] Result<Redating> redating(std::optional<Instant> since = {}) {
        return Redating::of_log(files, directory, log->end(), since);
    }

    SimFiles files;
    std::unique_ptr<MessageLog> log = opened(files);
    LogPosition before;
};

std::vector<Event> events_of(Files& files, const std::filesystem::path& where) {
    const auto log = opened(files, where);
    MessageLogReader reader(files, where, {});
    std::vector<Event> events;
    while (auto next = reader.next(log->end()).value())
        events.push_back(std::move(next->event));
    CHECK(reader.damaged_lines() == 0);
    return events;
}

std::vector<Instant> stamps_of(const std::vector<Event>& events) {
    std::vector<Instant> stamps;
    for (const Event& event : events)
        stamps.push_back(time_of(event));
    return stamps;
}

}  // namespace

TEST_CASE("events stamped three days ahead get their true times in order, and so do instructions") {
    AheadLog ahead_log;
    ahead_log.clock_is_right(noon + hours{4}, noon + hours{4} + ahead);
    // Stamps run a sixteenth slower from here.
    ahead_log.append(count(5), noon + hours{4} + ahead + minutes{15});
    const auto redating = ahead_log.redating();
    REQUIRE(redating);
    CHECK(redating->first() == ahead_log.before);
    CHECK(redating->since() == noon + hours{2} + ahead);
    CHECK(redating->ahead() == ahead);

    CHECK(redating->write(ahead_log.files, directory, ahead_log.log->end(), mended) == 5U);
    const auto events = events_of(ahead_log.files, mended);
    CHECK(stamps_of(events) == std::vector{noon, noon + hours{1}, noon + hours{1}, noon + hours{2},
                                           noon + hours{3}, noon + hours{3}, noon + hours{4},
                                           noon + hours{4} + minutes{16}});
    CHECK(std::get<Instruction>(events[4]).document ==
          R"({"do":"read-register","meter":"house","time":"2026-03-01T14:30:00.000000Z"})");
    // Nothing is left to correct, and everything from before is unchanged to the byte.
    CHECK_FALSE(std::get<ClockSet>(events[6]).time);
    CHECK(ahead_log.files.read(mended / ahead_log.before.file, 0, ahead_log.before.offset_bytes).value() ==
          ahead_log.files.read(directory / ahead_log.before.file, 0, ahead_log.before.offset_bytes).value());
}

TEST_CASE("slower stamps are redated to the time they were given at, until the time has caught up") {
    rc::prop("for any pauses", [] {
        AheadLog ahead_log;
        Instant stamp = noon + hours{4} + ahead;
        Instant time = noon + hours{4};
        ahead_log.clock_is_right(time, stamp);
        std::vector<Instant> times{time};
        for (const auto pause_s :
             *rc::gen::nonEmpty(rc::gen::container<std::vector<int>>(rc::gen::inRange(0, 400'000)))) {
            const Duration passed = seconds{pause_s};
            time += passed;
            stamp = std::max(time, stamp + passed - passed / 16);
            ahead_log.append(count(9), stamp);
            times.push_back(time);
        }
        const auto redating = ahead_log.redating();
        RC_ASSERT(redating.has_value());
        RC_ASSERT(redating->write(ahead_log.files, directory, ahead_log.log->end(), mended).has_value());
        const auto stamps = stamps_of(events_of(ahead_log.files, mended));
        for (std::size_t i = 0; i < times.size(); ++i) {
            const Duration error = stamps[stamps.size() - times.size() + i] - times[i];
            RC_ASSERT(error < seconds{1});
            RC_ASSERT(error > -seconds{1});
        }
    });
}

TEST_CASE(
    "every start while stamps are ahead logs the time again, so a pause of the server causes no error") {
    AheadLog ahead_log;
    ahead_log.clock_is_right(noon + hours{4}, noon + hours{4} + ahead);
    // Off for ten hours, in which stamps stood still.
    ahead_log.clock_is_right(noon + hours{14}, noon + hours{4} + ahead);
    ahead_log.append(count(6), noon + hours{4} + ahead + minutes{15});
    const auto redating = ahead_log.redating();
    REQUIRE(redating);
    CHECK(redating->time_of(noon + hours{4} + ahead + minutes{15}) == noon + hours{14} + minutes{16});
    CHECK(redating->ahead() == ahead);
}

TEST_CASE("a log without a record of stamps ahead is not corrected") {
    AheadLog ahead_log;
    const auto redating = ahead_log.redating();
    REQUIRE_FALSE(redating);
    CHECK(redating.error().text.find("nothing to correct") != std::string::npos);
}

TEST_CASE(
    "if stamps jumped twice by the same amount, a person says which jump it was, and a wrong one fails") {
    AheadLog ahead_log;
    ahead_log.append(count(5), noon + hours{4} + 2 * ahead);
    ahead_log.clock_is_right(noon + hours{5} + ahead, noon + hours{5} + 2 * ahead);
    const auto redating = ahead_log.redating();
    REQUIRE_FALSE(redating);
    CHECK(redating.error().text.find("--since") != std::string::npos);
    CHECK(redating.error().text.find("2026-03-04T14:00:00.000000Z  after 2026-03-01T13:00:00.000000Z") !=
          std::string::npos);
    const auto chosen = ahead_log.redating(noon + hours{4} + 2 * ahead);
    REQUIRE(chosen);
    CHECK(chosen->time_of(noon + hours{4} + 2 * ahead) == noon + hours{4} + ahead);
    // That would date the message before its predecessor.
    CHECK_FALSE(ahead_log.redating(noon + hours{2} + ahead + seconds{1}));
}

TEST_CASE("a log that begins ahead is corrected from its beginning once a person says so") {
    SimFiles files;
    const auto log = opened(files);
    REQUIRE(log->append(count(1), noon + ahead));
    REQUIRE(log->append(ClockSet{{}, seconds{90}, noon + hours{1}}, noon + hours{1} + ahead));
    CHECK_FALSE(Redating::of_log(files, directory, log->end(), {}));
    const auto redating = Redating::of_log(files, directory, log->end(), noon);
    REQUIRE(redating);
    REQUIRE(redating->write(files, directory, log->end(), mended));
    CHECK(stamps_of(events_of(files, mended)) == std::vector{noon, noon + hours{1}});
}
