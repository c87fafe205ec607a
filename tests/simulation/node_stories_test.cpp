// Nodes without network or power, one story at a time, through the whole daemon.
#include <algorithm>

#include "simulation/stage.hpp"

using namespace tickledger;
using namespace tickledger::simulation;
using std::chrono::hours;
using std::chrono::milliseconds;
using std::chrono::minutes;

namespace {

std::ptrdiff_t number_of(EntryKind kind, const Books& books) {
    const auto& entries = books.meters().at(0).entries;
    return std::count_if(entries.begin(), entries.end(),
                         [&](const Entry& entry) { return entry.kind == kind; });
}

/// A node with a cadence of three minutes that was without network for 42 minutes, while 600 L ran.
class Away {
public:
    Away() {
        REQUIRE(stage.hear(100, 1));
        REQUIRE(stage.hear_next(110, 2));
        stage.wait(minutes{42});
    }
    /// Sends one of the fourteen queued readings, 50 ms after the previous one.
    void send(int number) {
        stage.wait(milliseconds{50});
        REQUIRE(stage.hear(count_of(number), 2 + number));
    }
    /// Sends live readings after the queue and returns the booked total.
    std::int64_t total_after_live_readings() {
        REQUIRE(stage.hear_next(715, 17));
        REQUIRE(stage.hear_next(720, 18));
        REQUIRE(stage.hear_next(720, 19));
        return stage.total();
    }
    static std::uint64_t count_of(int number) { return 110 + static_cast<std::uint64_t>(number) * 600 / 14; }
    static constexpr int queued = 14;
    static constexpr std::int64_t all = 10 + 600 + 10;

    Stage stage;
};

}  // namespace

TEST_CASE("node story: fourteen readings that waited at the node are booked in full, without a preset") {
    Away away;
    for (int number = 1; number <= Away::queued; ++number)
        away.send(number);
    CHECK(away.total_after_live_readings() == Away::all);
    const Books books = away.stage.books();
    INFO(words(books));
    CHECK(number_of(EntryKind::preset, books) == 0);
    CHECK(books.meters().at(0).refused.empty());
}

TEST_CASE("node story: a kill of the daemon in the middle of a node's backlog loses no tick") {
    for (const int killed_after : {1, 5, 13}) {
        CAPTURE(killed_after);
        Away away;
        for (int number = 1; number <= Away::queued; ++number) {
            away.send(number);
            away.stage.book();
            if (number != killed_after) continue;
            away.stage.kill();
            away.stage.start();
        }
        CHECK(away.total_after_live_readings() == Away::all);
        CHECK(number_of(EntryKind::preset, away.stage.books()) == 0);
    }
}

TEST_CASE("node story: a backlog that arrives twice is booked once") {
    Away away;
    for (int round = 0; round < 2; ++round) {
        for (int number = 1; number <= Away::queued; ++number)
            away.send(number);
    }
    CHECK(away.total_after_live_readings() == Away::all);
    CHECK(away.stage.books().meters().at(0).refused.empty());
}

TEST_CASE("node story: a live reading that arrives in the middle of the backlog loses no tick") {
    Away away;
    for (int number = 1; number <= Away::queued; ++number) {
        if (number == 6) {
            away.stage.wait(milliseconds{50});
            REQUIRE(away.stage.hear(712, 17));
        }
        away.send(number);
    }
    REQUIRE(away.stage.hear_next(715, 18));
    REQUIRE(away.stage.hear_next(720, 19));
    CHECK(away.stage.total() == Away::all);
    CHECK(number_of(EntryKind::preset, away.stage.books()) == 0);
}

TEST_CASE("node story: a count that a power cut reset to 0 is not taken for a wrapped one") {
    MeterSettings meter = house();
    meter.counter_bits = 16;
    Stage stage(meter);
    REQUIRE(stage.hear(39'990, 1));
    REQUIRE(stage.hear_next(40'000, 2));
    stage.wait(hours{12});
    REQUIRE(stage.hear(0, 1, 2));
    REQUIRE(stage.hear_next(0, 2, 2));
    CHECK(stage.total() == 10);
}

TEST_CASE("node story: a register that runs back and stays is booked without a preset") {
    MeterSettings meter = house();
    meter.checkpoint_ticks = 1;
    Stage stage(meter);
    REQUIRE(stage.hear(1'000, 1));
    REQUIRE(stage.hear_next(1'010, 2));
    REQUIRE(stage.hear_next(1'007, 3));
    REQUIRE(stage.hear_next(1'008, 4));
    CHECK(stage.total() == 8);
    CHECK(number_of(EntryKind::preset, stage.books()) == 0);
}
