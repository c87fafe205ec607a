// What the journal says of messages that book nothing: a line a trouble, with what to do, and not one a
// message.
#pragma once

#include <chrono>
#include <cstddef>
#include <map>
#include <optional>
#include <string>
#include <tuple>

#include "book/odd_messages.hpp"

namespace tickledger {

/// Of one kind from one topic the first message is a line at once; those of the next hour are only counted,
/// and the first one after it says how many they were. Of all together there are at most 30 lines in an hour,
/// the last of which says so. Memory is bounded. One thread at a time.
class OddLines {
public:
    using Time = std::chrono::steady_clock::time_point;

    static constexpr std::chrono::hours quiet_for{1};
    static constexpr std::size_t lines_max = 30;
    static constexpr std::size_t topics_max = 1000;

    /// The line for a message, if it is to be written.
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
