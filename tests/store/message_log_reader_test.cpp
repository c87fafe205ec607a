#include <sys/resource.h>

#include <algorithm>
#include <catch2/catch.hpp>
#include <string>

#include "logs.hpp"
#include "store/log_names.hpp"
#include "store/message_log.hpp"
#include "support/sim_files.hpp"
#include "support/temp_directory.hpp"

using namespace tickledger;
using namespace tickledger::test;
using namespace std::chrono_literals;

namespace {

#ifdef __SANITIZE_ADDRESS__
constexpr bool keeps_what_was_freed = true;
#else
constexpr bool keeps_what_was_freed = false;
#endif

}  // namespace

TEST_CASE("damaged lines are skipped and counted, and the stamp before them still counts") {
    SimFiles files;
    const auto log = opened(files);
    CHECK(log->append(count(1), at("2026-03-01T07:00:00Z")));
    CHECK(log->append(count(2), at("2026-03-01T07:00:01Z")));
    CHECK(log->append(count(3), at("2026-03-02T07:00:01Z")));
    // The first day loses its last newline, and the second gets a line of zeros at its end.
    std::string first = files.content(directory / "2026-03-01.jsonl");
    first.pop_back();
    files.put(directory / "2026-03-01.jsonl", first);
    files.put(directory / "2026-03-02.jsonl",
              files.content(directory / "2026-03-02.jsonl") + std::string(70, '\0') + "\n");

    const auto again = opened(files);
    CHECK(again->last_stamp() == at("2026-03-02T07:00:01Z"));
    const ReadBack all = read_all(files, again->end());
    CHECK(all.events.size() == 2);
    CHECK(all.damaged == 2);
}

TEST_CASE("a read that fails is tried again at the same place") {
    SimFiles files;
    const auto log = opened(files);
    CHECK(log->append(count(1), at("2026-03-01T07:00:00Z")));
    MessageLogReader reader(files, directory, {});
    files.fail_reads(1);
    CHECK_FALSE(reader.next(log->end()));
    CHECK(reader.next(log->end()).value());
    CHECK(reader.position() == log->end());
    CHECK_FALSE(reader.next(log->end()).value());
}

TEST_CASE("lines longer than a chunk, and chunks that end within lines, are read") {
    SimFiles files;
    const auto log = opened(files);
    Message large = count(0);
    large.payload = std::string(600'000, 'x');
    std::size_t appended = 0;
    for (; appended < 3000; ++appended) {
        CHECK(log->append(appended == 1500 ? Event{large} : Event{count(appended)},
                          at("2026-03-01T07:00:00Z")));
    }
    const ReadBack all = read_all(files, log->end());
    CHECK(all.events.size() == appended);
    CHECK(all.damaged == 0);
    CHECK(all.after.back() == log->end());
}

TEST_CASE("a file without a newline is skipped without being held in memory, and so is its end") {
    SimFiles files;
    const auto log = opened(files);
    CHECK(log->append(count(1), at("2026-03-01T07:00:00Z")));
    const std::string line = files.content(directory / "2026-03-01.jsonl");
    constexpr std::size_t zeros = std::size_t{64} << 20;
    // Its end would be an event if it were not the end of a damaged line.
    files.put(directory / "2026-03-01.jsonl", std::string(zeros, '\0') + line + line);

    MessageLogReader reader(files, directory, {});
    const auto high_water_kb = [] {
        rusage used{};
        getrusage(RUSAGE_SELF, &used);
        return used.ru_maxrss;
    };
    const auto before_kb = high_water_kb();
    const LogPosition limit{"2026-03-01.jsonl", zeros + 2 * line.size()};
    const auto event = reader.next(limit);
    REQUIRE(event);
    REQUIRE(*event);
    CHECK((*event)->next == limit);
    CHECK(reader.damaged_lines() == 1);
    CHECK_FALSE(reader.next(limit).value());
    if (!keeps_what_was_freed) CHECK(high_water_kb() - before_kb < 48 * 1024);
}

TEST_CASE("a damaged day without a newline loses nothing of the next day") {
    SimFiles files;
    const auto log = opened(files);
    CHECK(log->append(count(1), at("2026-03-01T07:00:00Z")));
    CHECK(log->append(count(2), at("2026-03-02T07:00:00Z")));
    // Longer than any line, and not a whole number of chunks: a part is left when its beginning was
    // discarded.
    files.put(directory / "2026-03-01.jsonl", std::string(log_line_max_bytes + 400'000, '\0'));
    const ReadBack all = read_all(files, log->end());
    CHECK(all.events.size() == 1);
    CHECK(all.damaged == 1);
}

TEST_CASE("a line stamped with another day than its file's is damaged, and sets no clock") {
    SimFiles files;
    const auto file = directory / "2026-03-01.jsonl";
    {
        const auto log = opened(files);
        REQUIRE(log->append(count(1), at("2026-03-01T10:00:00Z")));
    }
    Event false_stamp = count(2);
    stamp_of(false_stamp) = at("2999-01-01T00:00:00Z");
    files.put(file, files.content(file) + to_line(false_stamp) + "\n");
    const auto log = opened(files);
    CHECK(log->last_stamp() == at("2026-03-01T10:00:00Z"));
    REQUIRE(log->append(count(3), at("2026-03-01T10:00:01Z")));
    const ReadBack all = read_all(files, log->end());
    CHECK(all.events.size() == 2);
    CHECK(all.damaged == 1);
}
