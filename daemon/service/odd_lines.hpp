// Writes the journal's lines about messages that book nothing: one line for each trouble, with what to do,
// and not one for each message.
#pragma once

#include <chrono>
#include <cstddef>
#include <map>
#include <optional>
#include <string>
#include <tuple>

#include "book/odd_messages.hpp"

namespace tickledger {

/// The first message of one kind from one topic gives a line at once. Those of the next hour are only
/// counted, and the first one after it says how many they were. At most 30 lines are written in an hour; the
/// last of them says so. Memory is bounded. One thread at a time.
class OddLines {
public:
    using Time = std::chrono::steady_clock::time_point;

    static constexpr std::chrono::hours quiet_for{1};
    static constexpr std::size_t lines_max = 30;
    static constexpr std::size_t topics_max = 1000;

    /// The line to write for a message, or nothing.
    [[nodiscard]] std::optional<std::string> pass(const OddMessage& message, Time now);

private:
    using Key = std::tuple<OddMessage::Kind, std::string, std::string>;
    struct Said {
        Time at{};
        std::size_t left_out = 0;
    };
    std::map<Key, Said> said_;
    Time window_began_{};
    std::size_t written_ = 0;
};

}  // namespace tickledger
