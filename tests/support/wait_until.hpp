// Waits for a condition with a deadline instead of sleeping for a fixed time.
#pragma once

#include <chrono>
#include <thread>

namespace tickledger::test {

/// Long enough for a loaded machine under a sanitizer. A passing test does not wait that long.
inline constexpr std::chrono::seconds patience{30};

/// Polls until `condition()` holds. Returns whether it did before the deadline.
template <typename Condition>
[[nodiscard]] bool wait_until(Condition&& condition, std::chrono::milliseconds deadline = patience) {
    const auto end = std::chrono::steady_clock::now() + deadline;
    while (!condition()) {
        if (std::chrono::steady_clock::now() >= end) return condition();
        std::this_thread::sleep_for(std::chrono::milliseconds{5});
    }
    return true;
}

}  // namespace tickledger::test
