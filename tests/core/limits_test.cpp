// The longest time that may have passed between two messages, at each limit of numbers, uptimes and clocks.
#include "booking_fixture.hpp"
#include "core/booking.hpp"
#include "core/spelling.hpp"

using namespace tickledger;
using namespace tickledger::test;

namespace {

using std::chrono::hours;
using std::chrono::seconds;

constexpr Duration cadence = std::chrono::minutes{3};
constexpr Duration year = hours{24 * 366};

Observation seen(Duration since_noon) {
    Observation one;
    one.at = one.arrived_at = after(since_noon);
    return one;
}

/// The longest time between two messages that arrived a cadence apart, or `apart`.
template <typename Change>
Duration longest(Change change, Duration apart = cadence) {
    Observation from = seen(Duration{0}), to = seen(apart);
    change(from, to);
    return booking::longest_between(from, to, CounterRules(counter_meter()));
}

}  // namespace

TEST_CASE("the numbers of a known boot are believed for up to a year, and ignored beyond that") {
    const auto by_numbers = [](std::uint64_t ahead) {
        return longest([&](Observation& from, Observation& to) {
            from.boot = to.boot = 7;
            from.seq = 0, to.seq = ahead;
        });
    };
    CHECK(by_numbers(2) == 2 * cadence);
    CHECK(by_numbers(year / cadence) == year);
    CHECK(by_numbers(year / cadence + 1) == cadence);
}

TEST_CASE("the uptimes of a known boot are believed for up to a year") {
    const auto by_uptime = [](Duration ran) {
        return longest([&](Observation& from, Observation& to) {
            from.boot = to.boot = 7;
            from.uptime = hours{1}, to.uptime = hours{1} + ran;
        });
    };
    CHECK(by_uptime(hours{5}) == hours{5});
    CHECK(by_uptime(year - seconds{1}) == year - seconds{1});
    CHECK(by_uptime(year + hours{1}) == year);
}

TEST_CASE("without a boot, numbers are believed for up to four messages, and only if the message is early") {
    const auto by_numbers = [](std::uint64_t ahead, Duration apart) {
        return longest([&](Observation& from, Observation& to) { from.seq = 0, to.seq = ahead; }, apart);
    };
    const Duration early = cadence / 2 - Duration{1};
    CHECK(by_numbers(4, early) == 4 * cadence);
    CHECK(by_numbers(5, early) == early);
    CHECK(by_numbers(4, cadence / 2) == cadence / 2);
}

TEST_CASE(
    "a node's clock is believed up to the largest setback of the server's clock, or as its numbers allow") {
    const auto by_clock = [](Duration on_clock, std::optional<std::uint64_t> ahead = std::nullopt) {
        return longest([&](Observation& from, Observation& to) {
            from.node_time = after(hours{-1});
            to.node_time = *from.node_time + on_clock;
            if (!ahead) return;
            from.boot = to.boot = 7;
            from.seq = 1, to.seq = 1 + *ahead;
        });
    };
    CHECK(by_clock(hours{40}) == hours{40});
    CHECK(by_clock(hours{64} + cadence) == hours{64} + cadence);
    CHECK(by_clock(hours{65}) == hours{64} + cadence);
    // Within one boot the clock is bounded by the numbers: one silence per number, at least one.
    CHECK(by_clock(hours{40}, 10) == 10 * cadence * 3 / 2);
    CHECK(by_clock(hours{40}, 0) == cadence * 3 / 2);
    CHECK(by_clock(hours{24 * 700}, 500'000) == year);
    // The numbers of two boots have nothing to do with each other.
    const Duration of_other_boot = longest([&](Observation& from, Observation& to) {
        from.node_time = after(hours{-1});
        to.node_time = *from.node_time + hours{40};
        from.boot = 7, to.boot = 8;
        from.seq = 1, to.seq = 2;
    });
    CHECK(of_other_boot == hours{40});
}

TEST_CASE("the longest word that is compared with others has 64 letters") {
    const std::string longest_word(64, 'a');
    CHECK(nearest(longest_word, {std::string_view(longest_word)}));
    const std::string longer(65, 'a');
    CHECK_FALSE(nearest(longer, {std::string_view(longer)}));
    // Four letters allow two slips, three letters one, longer words a third of their letters.
    CHECK(nearest("abxy", {std::string_view("abcd")}));
    CHECK_FALSE(nearest("axy", {std::string_view("abc")}));
    CHECK(nearest("axc", {std::string_view("abc")}));
    CHECK(nearest("abcdefxyz", {std::string_view("abcdefghi")}));
    CHECK_FALSE(nearest("abcdewxyz", {std::string_view("abcdefghi")}));
}
