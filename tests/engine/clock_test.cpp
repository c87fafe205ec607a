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
    TrustedClock clock(server, last_stamp);
    CHECK_FALSE(clock.now());
    server.wall_time = last_stamp - hours{3};
    CHECK_FALSE(clock.now());
    server.wall_time = last_stamp + hours{1};
    CHECK(clock.now() == last_stamp + hours{1});
}

TEST_CASE("once set, the clock stays believed when it steps back") {
    HandClock server;
    server.wall_time = last_stamp + hours{1};
    TrustedClock clock(server, last_stamp);
    CHECK(clock.now());
    server.wall_time = last_stamp - hours{1};
    CHECK(clock.now() == last_stamp - hours{1});
}

TEST_CASE("a clock that a time service keeps is believed even before the last stamp") {
    HandClock server;
    server.wall_time = last_stamp - hours{3};
    server.synchronised = true;
    TrustedClock clock(server, last_stamp);
    CHECK(clock.now() == last_stamp - hours{3});
}

TEST_CASE("a node that knows the time lends it until the server knows better") {
    HandClock server;
    server.running = seconds{40};
    TrustedClock clock(server, last_stamp);
    clock.hear(last_stamp - hours{5});
    CHECK_FALSE(clock.now());
    clock.hear(last_stamp + minutes{7});
    CHECK(clock.now() == last_stamp + minutes{7});
    server.running = seconds{100};
    CHECK(clock.now() == last_stamp + minutes{8});
    server.wall_time = last_stamp + minutes{9};
    CHECK(clock.now() == last_stamp + minutes{9});
}
