// Message logs for tests: opened, filled with counts, read to the end.
#pragma once

#include <catch2/catch.hpp>
#include <filesystem>
#include <memory>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "events.hpp"
#include "store/message_log.hpp"

namespace tickledger::test {

inline const std::filesystem::path directory = "/messages";

inline Instant at(std::string_view text) {
    return parse_rfc3339(text).value();
}

inline Message count(std::uint64_t n) {
    return Message{{}, "nodes/cellar/water", "{\"count\":" + std::to_string(n) + "}", 1, false, false};
}

inline std::unique_ptr<MessageLog> opened(Files& files, const std::filesystem::path& where = directory) {
    auto log = MessageLog::open(files, where);
    if (!log) FAIL(log.error().text);
    return std::move(*log);
}

/// All events up to the end as text, and how many lines were damaged.
struct ReadBack {
    std::vector<std::string> events;
    std::vector<LogPosition> after;
    std::uint64_t damaged = 0;
};

inline ReadBack read_all(Files& files, const LogPosition& limit, LogPosition from = {},
                         const std::filesystem::path& where = directory) {
    MessageLogReader reader(files, where, std::move(from));
    ReadBack all;
    while (true) {
        auto event = reader.next(limit);
        if (!event) FAIL(event.error().text);
        if (!*event) break;
        all.events.push_back(shown((*event)->event));
        all.after.push_back((*event)->next);
    }
    all.damaged = reader.damaged_lines();
    return all;
}

}  // namespace tickledger::test
