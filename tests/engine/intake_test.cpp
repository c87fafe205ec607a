// Accepting messages under a wrong clock: no message is lost, and durations stay true.
#include "engine/intake.hpp"

#include <catch2/catch.hpp>
#include <functional>
#include <future>
#include <utility>

#include "support/sim_files.hpp"

using namespace tickledger;
using namespace tickledger::test;
using std::chrono::hours;
using std::chrono::minutes;
using std::chrono::seconds;

namespace {

const Instant noon = parse_rfc3339("2026-03-01T12:00:00Z").value();

class HandClock final : public Clock {
public:
    [[nodiscard]] Instant wall() const override { return wall_time; }
    [[nodiscard]] Duration since_boot() const override {
        if (const auto read = std::exchange(on_next_reading, {})) read();
        return running;
    }
    [[nodiscard]] bool is_synchronised() const override { return synchronised; }
    void pass(Duration length) {
        wall_time += length;
        running += length;
    }

    Instant wall_time = noon;
    Duration running = hours{1};
    bool synchronised = false;
    mutable std::function<void()> on_next_reading;
};

/// A log that was last written at noon, and the intake that writes to it.
struct Door {
    explicit Door(Instant last_stamp = noon) {
        log = std::move(MessageLog::open(files, "/messages").value());
        REQUIRE(log->append(said("{}"), last_stamp));
    }
    void start(Instant floor) {
        auto meter = MeterSettings{};
        meter.id = "house";
        meter.topic = "nodes/+/water";
        intake = std::make_unique<Intake>(Intake::Parts{
            .log = log.get(),
            .clock = &clock,
            .meters = std::make_shared<const std::vector<MeterSettings>>(std::vector{meter}),
            .clock_floor = floor,
            .clock_reach = hours{24 * 7},
            .on_appended = [] { return true; },
            .tell =
                [this](Level, const std::string&) {
                    if (const auto act = std::exchange(on_next_tell, {})) act();
                },
        });
    }
    [[nodiscard]] static Message said(const std::string& payload, const std::string& who = "cellar") {
        return Message{{}, "nodes/" + who + "/water", payload, 1, false, false};
    }
    /// The stamp of a message that arrives now; nothing if it waits for the clock.
    std::optional<Instant> stamp_of_next(const std::string& payload = "{}",
                                         const std::string& who = "cellar") {
        const LogPosition before = log->end();
        REQUIRE(intake->accept(said(payload, who)));
        MessageLogReader reader(files, "/messages", before);
        std::optional<Instant> stamp;
        while (const auto event = reader.next(log->end()).value()) {
            if (std::holds_alternative<Message>(event->event)) stamp = time_of(event->event);
        }
        return stamp;
    }

    SimFiles files;
    HandClock clock;
    std::function<void()> on_next_tell;
    std::unique_ptr<MessageLog> log;
    std::unique_ptr<Intake> intake;
};

}  // namespace

TEST_CASE("a clock that jumps a year ahead for seconds changes neither the stamps nor the booking's clock") {
    Door door;
    door.start(noon);
    door.clock.pass(seconds{10});
    CHECK(door.stamp_of_next() == noon + seconds{10});
    door.clock.wall_time += hours{24 * 365};
    door.clock.pass(seconds{3});
    CHECK(door.stamp_of_next() == noon + seconds{13});
    CHECK(door.intake->now() == noon + seconds{13});
    door.clock.wall_time -= hours{24 * 365};
    door.clock.pass(seconds{3});
    CHECK(door.stamp_of_next() == noon + seconds{16});
    // After a restart no stamp is ahead.
    door.start(*door.log->last_stamp());
    door.clock.pass(seconds{3});
    CHECK(door.stamp_of_next() == noon + seconds{19});
}

TEST_CASE("when stamps are an hour ahead, time still passes for the messages and for the booking's clock") {
    Door door(noon + hours{1});
    door.start(noon);  // As the file's own time says.
    const auto first = door.stamp_of_next();
    REQUIRE(first);
    door.clock.pass(seconds{160});
    const auto second = door.stamp_of_next();
    REQUIRE(second);
    CHECK(*second - *first == seconds{150});
    door.clock.pass(seconds{16});
    // A backlog at the broker ends by this clock.
    CHECK(door.intake->now() == *second + seconds{15});
    CHECK(door.intake->accept_instruction(R"({"do":"nothing"})"));
}

TEST_CASE("one node that says 2035 does not set the clock, and two that agree do") {
    Door door;
    door.start(noon);
    door.clock.wall_time = Instant{};
    CHECK_FALSE(door.stamp_of_next(R"({"count":1,"time":"2035-01-01T00:00:00Z"})"));
    CHECK_FALSE(door.stamp_of_next(R"({"count":2,"time":"2035-01-01T00:00:00Z"})"));
    CHECK_FALSE(door.stamp_of_next(R"({"count":1,"time":"2026-03-01T12:30:00Z"})", "garden"));
    CHECK(door.stamp_of_next(R"({"count":1,"time":"2026-03-01T12:30:05Z"})", "attic") ==
          noon + minutes{30} + seconds{5});
    CHECK(door.intake->accept_instruction(R"({"do":"nothing"})"));
}

TEST_CASE("a person can confirm the clock, which is logged and dates the waiting messages, but not in 1970") {
    Door door;
    door.start(noon);
    door.clock.wall_time = noon + hours{24 * 365};
    CHECK_FALSE(door.stamp_of_next());
    CHECK_FALSE(door.intake->accept_instruction(R"({"do":"nothing"})"));
    door.clock.wall_time = Instant{};
    CHECK_FALSE(door.intake->clock_is_right());
    door.clock.wall_time = noon + hours{24 * 365};
    const LogPosition before = door.log->end();
    REQUIRE(door.intake->clock_is_right());
    MessageLogReader reader(door.files, "/messages", before);
    const auto record = reader.next(door.log->end()).value();
    REQUIRE(record);
    REQUIRE(std::holds_alternative<ClockSet>(record->event));
    CHECK(time_of(record->event) == door.clock.wall_time);
    // It dates the waiting messages once.
    CHECK(door.stamp_of_next() == door.clock.wall_time);
    while (const auto event = reader.next(door.log->end()).value())
        CHECK_FALSE(std::holds_alternative<ClockSet>(event->event));
    CHECK(door.intake->accept_instruction(R"({"do":"nothing"})"));
}

TEST_CASE("a clock that was ahead and is set back is logged once, with the true time") {
    Door door;
    door.clock.wall_time = noon + hours{72};
    door.start(noon);
    REQUIRE(door.stamp_of_next() == noon + hours{72});
    door.intake->watch_clock();
    door.clock.wall_time = noon;
    door.clock.pass(seconds{16});
    const LogPosition before = door.log->end();
    for (int i = 0; i < 3; ++i)
        door.intake->watch_clock();
    MessageLogReader reader(door.files, "/messages", before);
    const auto told = reader.next(door.log->end()).value();
    REQUIRE(told);
    const auto* set = std::get_if<ClockSet>(&told->event);
    REQUIRE(set);
    CHECK(set->time == noon + seconds{16});
    CHECK(set->at == noon + hours{72} + seconds{15});
    CHECK_FALSE(reader.next(door.log->end()).value());
    // A restart while stamps are still ahead logs it again, because nobody knows how long the server was off.
    door.start(noon);
    door.intake->watch_clock();
    CHECK(reader.next(door.log->end()).value());
}

TEST_CASE("a clock that is set while an undated message is written dates that message") {
    Door door;
    door.start(noon);
    door.clock.wall_time = Instant{};
    // The booking thread looks at the clock between the warning and the append.
    std::future<void> booking;
    door.on_next_tell = [&] {
        door.clock.on_next_reading = [&] {
            door.clock.wall_time = noon;
            booking = std::async(std::launch::async, [&] { door.intake->watch_clock(); });
            // It ends at once if nothing orders the two lines. Otherwise it waits for the append.
            (void)booking.wait_for(std::chrono::milliseconds{200});
        };
    };
    const LogPosition before = door.log->end();
    REQUIRE(door.intake->accept(Door::said("{}")));
    REQUIRE(booking.valid());
    booking.get();
    MessageLogReader reader(door.files, "/messages", before);
    bool waits = false;
    bool was_dated = false;
    while (const auto record = reader.next(door.log->end()).value()) {
        if (std::holds_alternative<Unclocked>(record->event)) waits = true;
        if (std::holds_alternative<ClockSet>(record->event)) was_dated = std::exchange(waits, false);
    }
    CHECK(was_dated);
    CHECK_FALSE(waits);
}
