// Waits on a condition with a deadline, never for luck.
#pragma once

#include <chrono>
#include <thread>

namespace tickledger::test {

/// Long enough for a loaded machine under a sanitizer; a test that passes does not wait for it.
inline constexpr std::chrono::seconds patience{30};

/// Asks again and again until `condition()` holds; whether it did before the deadline.
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
