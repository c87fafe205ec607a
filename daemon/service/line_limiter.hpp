// Limits how often the journal repeats the same line.
#pragma once

#include <chrono>
#include <string>
#include <string_view>
#include <unordered_map>
#include <vector>

namespace tickledger {

/// A line that repeats another within a minute is left out and counted. So is every line beyond 200 in a
/// minute. Memory is bounded. One thread at a time.
class LineLimiter {
public:
    using Time = std::chrono::steady_clock::time_point;

    static constexpr std::chrono::seconds window{60};
    static constexpr std::size_t lines_max = 200;

    /// Returns the lines to write for `line`: none, or the line itself with the number of repetitions left
    /// out since it was last written. A line that gives the number of other lines left out comes before it,
    /// if there were any.
    [[nodiscard]] std::vector<std::string> pass(std::string_view line, Time now);

private:
    struct Said {
        Time at{};
        std::size_t left_out = 0;
    };
    void begin_window(Time now);

    std::unordered_map<std::string, Said> said_;
    Time window_began_{};
    std::size_t written_ = 0;
    std::size_t left_out_ = 0;  ///< Beyond lines_max.
};

}  // namespace tickledger
