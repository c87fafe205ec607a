// Rules that the code itself must keep, checked in every build. A broken rule is a mistake in this program.
// Input from a file, the network or a person is not checked here: it is judged and answered.
#pragma once

namespace tickledger {

/// Writes to standard error what was expected and where, and aborts. systemd restarts the daemon, which
/// continues from its last commit.
[[noreturn]] void expectation_failed(const char* expected, const char* file, int line);

}  // namespace tickledger

/// `expected`: the condition in words, as the end of a sentence: "a booking has at most four entries".
#define TICKLEDGER_CHECK(condition, expected) \
    ((condition) ? static_cast<void>(0) : ::tickledger::expectation_failed(expected, __FILE__, __LINE__))
