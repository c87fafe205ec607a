// Rules that the code itself must keep, checked in every build. A broken one is a mistake in this program,
// never in what it reads: whatever comes from a file, the network or a person is judged and answered instead.
#pragma once

namespace tickledger {

/// Writes to standard error what was expected and where, and aborts. systemd starts the daemon again, which
/// goes on from its last commit.
[[noreturn]] void expectation_failed(const char* expected, const char* file, int line);

}  // namespace tickledger

/// `expected`: what holds, as the end of a sentence: "a booking has at most four entries".
#define TICKLEDGER_CHECK(condition, expected) \
    ((condition) ? static_cast<void>(0) : ::tickledger::expectation_failed(expected, __FILE__, __LINE__))
