// A broken invariant aborts the program in every build and prints what was expected.
#include "tickledger/check.hpp"

#include <sys/wait.h>
#include <unistd.h>

#include <array>
#include <catch2/catch.hpp>
#include <csignal>
#include <string>

#include "tickledger/counter.hpp"
#include "tickledger/late.hpp"

using namespace tickledger;

namespace {

struct Death {
    int signal = 0;  ///< 0 if the child did not die from a signal.
    std::string told;
};

/// Runs `work` in a child process and reads its standard error through a pipe.
template <typename Work>
Death death_of(Work work) {
    std::array<int, 2> ends{};
    REQUIRE(::pipe(ends.data()) == 0);
    const pid_t child = ::fork();
    REQUIRE(child >= 0);
    if (child == 0) {
        ::dup2(ends[1], STDERR_FILENO);
        std::signal(SIGABRT, SIG_DFL);  // Without the test program's own handler.
        work();
        ::_exit(0);
    }
    ::close(ends[1]);
    Death death;
    std::array<char, 512> part{};
    for (ssize_t got = 0; (got = ::read(ends[0], part.data(), part.size())) > 0;)
        death.told.append(part.data(), static_cast<std::size_t>(got));
    ::close(ends[0]);
    int status = 0;
    REQUIRE(::waitpid(child, &status, 0) == child);
    if (WIFSIGNALED(status)) death.signal = WTERMSIG(status);
    return death;
}

}  // namespace

TEST_CASE("adding more entries to a booking than fit aborts with a message") {
    const auto add = [](int count) {
        Booking booking;
        for (int i = 0; i < count; ++i)
            booking.add_entry(Entry{});
    };
    CHECK(death_of([&] { add(4); }).signal == 0);
    const Death death = death_of([&] { add(5); });
    CHECK(death.signal == SIGABRT);
    CHECK_THAT(death.told, Catch::Contains("counter.hpp") && Catch::Contains("at most four entries"));
}

TEST_CASE("dividing an entry at a moment outside of it aborts") {
    const MeterSettings meter;
    const CounterRules rules(meter);
    Entry entry;
    entry.span = {instant_of(1'000'000), instant_of(2'000'000)};
    const auto divide_at = [&](Instant at) { (void)divide(entry, {}, {}, at, rules); };
    CHECK(death_of([&] { divide_at(instant_of(2'000'000)); }).signal == 0);
    CHECK(death_of([&] { divide_at(instant_of(1'000'000)); }).signal == SIGABRT);
    CHECK(death_of([&] { divide_at(instant_of(2'000'001)); }).signal == SIGABRT);
}
