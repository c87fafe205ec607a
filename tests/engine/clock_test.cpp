// A clock that knows when it must not be believed.
#include "engine/clock.hpp"

#include <catch2/catch.hpp>

using namespace tickledger;
using std::chrono::hours;
using std::chrono::minutes;
using std::chrono::seconds;

namespace {

class HandClock final : public Clock {
public:
    [[nodiscard]] Instant wall() const override { return wall_time; }
    [[nodiscard]] Duration since_boot() const override { return running; }
    [[nodiscard]] bool is_synchronised() const override { return synchronised; }

    Instant wall_time{};
    Duration running{};
    bool synchronised = false;
};

const Instant last_stamp = instant_of(1'772'366'400'000'000);

}  // namespace

TEST_CASE("a server that starts in 1970 or hours behind does not know the time") {
    HandClock server;
    TrustedClock clock(server, {last_stamp, hours{24 * 7}});
    CHECK_FALSE(clock.now());
    server.wall_time = last_stamp - hours{3};
    CHECK_FALSE(clock.now());
    server.wall_time = last_stamp + hours{1};
    CHECK(clock.now() == last_stamp + hours{1});
}

TEST_CASE("a clock that was believed stays believed when it steps back") {
    HandClock server;
    server.wall_time = last_stamp + hours{1};
    TrustedClock clock(server, {last_stamp, hours{24 * 7}});
    CHECK(clock.now());
    server.wall_time = last_stamp - hours{1};
    CHECK(clock.now() == last_stamp - hours{1});
}

TEST_CASE("a clock that a time service keeps is believed even before the last stamp") {
    HandClock server;
    server.wall_time = last_stamp - hours{3};
    server.synchronised = true;
    TrustedClock clock(server, {last_stamp, hours{24 * 7}});
    CHECK(clock.now() == last_stamp - hours{3});
}

TEST_CASE("nodes that agree provide the time until the server knows it, and one node alone does not") {
    HandClock server;
    server.running = seconds{40};
    TrustedClock clock(server, {last_stamp, hours{24 * 7}});
    clock.hear("nodes/cellar", last_stamp - hours{5});
    CHECK_FALSE(clock.now());
    clock.hear("nodes/cellar", last_stamp + hours{24 * 365 * 9});
    clock.hear("nodes/cellar", last_stamp + hours{24 * 365 * 9});
    CHECK_FALSE(clock.now());
    clock.hear("nodes/garden", last_stamp + minutes{7});
    CHECK_FALSE(clock.now());
    server.running = seconds{70};
    clock.hear("nodes/attic", last_stamp + minutes{7} + seconds{31});
    CHECK(clock.now() == last_stamp + minutes{7} + seconds{31});
    server.running = seconds{130};
    CHECK(clock.now() == last_stamp + minutes{8} + seconds{31});
    server.wall_time = last_stamp - hours{3};
    CHECK(clock.now() == last_stamp + minutes{8} + seconds{31});
    server.wall_time = last_stamp + minutes{9};
    CHECK(clock.now() == last_stamp + minutes{9});
}

TEST_CASE("a clock that jumps ahead is not followed until a time service or a person vouches for it") {
    HandClock server;
    server.wall_time = last_stamp + minutes{1};
    server.running = hours{1};
    TrustedClock clock(server, {last_stamp, hours{24 * 7}});
    REQUIRE(clock.now() == last_stamp + minutes{1});
    const Duration jump = GENERATE(as<Duration>{}, hours{24 * 365}, hours{1}, minutes{3});
    server.wall_time += jump + seconds{5};
    server.running += seconds{5};
    CHECK(clock.now() == last_stamp + minutes{1} + seconds{5});
    CHECK(clock.disbelieved_ahead() == jump);
    SECTION("it was wrong and is right again") {
        server.wall_time -= jump;
        CHECK(clock.now() == server.wall_time);
        CHECK(clock.disbelieved_ahead() == Duration{0});
    }
    SECTION("a time service vouches") {
        server.synchronised = true;
        CHECK(clock.now() == server.wall_time);
        server.synchronised = false;
        CHECK(clock.now() == server.wall_time);
    }
    SECTION("a person vouches") {
        CHECK(clock.vouch() == server.wall_time);
        CHECK(clock.now() == server.wall_time);
        CHECK(clock.disbelieved_ahead() == Duration{0});
    }
}

TEST_CASE("small steps of a time service and a leap second are followed, and drift never adds up to a jump") {
    HandClock server;
    server.wall_time = last_stamp + minutes{1};
    TrustedClock clock(server, {last_stamp, hours{24 * 7}});
    REQUIRE(clock.now());
    for (int minute = 0; minute < 24 * 60; ++minute) {
        server.running += minutes{1};
        server.wall_time += minutes{1} + seconds{1};  // 24 minutes a day, in the end.
        REQUIRE(clock.now() == server.wall_time);
    }
    server.wall_time -= seconds{1};
    CHECK(clock.now() == server.wall_time);
}

TEST_CASE("a start with a clock far ahead of the last stamp waits until somebody vouches for it") {
    HandClock server;
    server.wall_time = last_stamp + hours{24 * 365};
    TrustedClock clock(server, {last_stamp, hours{24 * 7}});
    CHECK_FALSE(clock.now());
    SECTION("a time service") {
        server.synchronised = true;
        CHECK(clock.now() == server.wall_time);
    }
    SECTION("a person") {
        REQUIRE(clock.vouch() == server.wall_time);
        CHECK(clock.now() == server.wall_time);
    }
    SECTION("nobody can vouch for 1970") {
        server.wall_time = Instant{};
        CHECK_FALSE(clock.vouch());
        CHECK_FALSE(clock.now());
    }
}

TEST_CASE("stamps that are ahead go on a sixteenth slower until the time has caught up, and never go back") {
    StampClock stamps(last_stamp + hours{1}, seconds{100});
    CHECK(stamps.stamp(last_stamp, seconds{100}) == last_stamp + hours{1});
    CHECK(stamps.stamp(last_stamp + seconds{16}, seconds{116}) == last_stamp + hours{1} + seconds{15});
    Instant before = stamps.stamp(last_stamp + seconds{16}, seconds{116});
    bool caught_up = false;
    for (int minute = 1; minute <= 17 * 60; ++minute) {
        const Instant now = last_stamp + seconds{16} + minutes{minute};
        const Instant stamp = stamps.stamp(now, seconds{116} + minutes{minute});
        REQUIRE(stamp > before);
        REQUIRE(stamp >= now);
        caught_up = stamp == now;
        before = stamp;
    }
    CHECK(caught_up);
}
