#include "store/message_log.hpp"

#include <rapidcheck/catch.h>

#include <algorithm>
#include <atomic>
#include <catch2/catch.hpp>
#include <chrono>
#include <thread>

#include "logs.hpp"
#include "support/sim_files.hpp"
#include "support/temp_directory.hpp"

using namespace tickledger;
using namespace tickledger::test;
using namespace std::chrono_literals;

namespace {

bool is_prefix(const std::vector<std::string>& beginning, const std::vector<std::string>& whole) {
    return beginning.size() <= whole.size() && std::equal(beginning.begin(), beginning.end(), whole.begin());
}

}  // namespace

TEST_CASE("an empty log has no end and no events") {
    SimFiles files;
    const auto log = opened(files);
    CHECK(log->end() == LogPosition{});
    CHECK_FALSE(log->last_stamp());
    CHECK(log->sync());
    CHECK(read_all(files, log->end()).events.empty());
}

TEST_CASE("appended events are read back in order, and from every position") {
    SimFiles files;
    const auto log = opened(files);
    const Instant start = at("2026-03-01T23:59:58.5Z");
    std::vector<LogPosition> ends;
    for (std::uint64_t n = 0; n < 5; ++n)
        ends.push_back(log->append(count(n), start + n * 1s).value());
    CHECK(log->append(LinkChange{{}, true, true}, start + 5s));

    CHECK(files.list(directory).value() == std::vector<std::string>{"2026-03-01.jsonl", "2026-03-02.jsonl"});
    const ReadBack all = read_all(files, log->end());
    REQUIRE(all.events.size() == 6);
    CHECK(all.damaged == 0);
    for (std::uint64_t n = 0; n < 5; ++n) {
        Message expected = count(n);
        expected.arrived_at = start + n * 1s;
        CHECK(all.events[n] == shown(expected));
        CHECK(all.after[n] == ends[n]);
        // Reading on from a stored position gives the rest, whether the limit is that position or the end.
        CHECK(read_all(files, log->end(), ends[n]).events ==
              std::vector<std::string>(all.events.begin() + static_cast<std::ptrdiff_t>(n) + 1,
                                       all.events.end()));
        CHECK(read_all(files, ends[n]).events.size() == n + 1);
        CHECK(read_all(files, ends[n], ends[n]).events.empty());
    }
}

TEST_CASE("stamps never go back, not even over a restart") {
    SimFiles files;
    const Instant noon = at("2026-03-02T12:00:00Z");
    auto log = opened(files);
    CHECK(log->append(count(1), noon));
    CHECK(log->append(count(2), noon - 26h));
    CHECK(log->last_stamp() == noon);
    log = opened(files);
    CHECK(log->last_stamp() == noon);
    CHECK(log->append(count(3), noon - 1h));
    CHECK(log->append(count(4), noon + 1us));
    CHECK(files.list(directory).value() == std::vector<std::string>{"2026-03-02.jsonl"});
    std::vector<Instant> stamps;
    MessageLogReader reader(files, directory, {});
    while (auto event = reader.next(log->end()).value())
        stamps.push_back(time_of(event->event));
    CHECK(stamps == std::vector<Instant>{noon, noon, noon, noon + 1us});
}

TEST_CASE("an empty file of a day keeps stamps from going back before that day") {
    SimFiles files;
    files.put(directory / "2026-03-02.jsonl", "");
    files.put(directory / "notes.txt", "not ours");
    const auto log = opened(files);
    CHECK(log->append(count(1), at("2026-03-01T12:00:00Z")));
    CHECK(log->last_stamp() == at("2026-03-02T00:00:00Z"));
    CHECK(read_all(files, log->end()).events.size() == 1);
}

TEST_CASE("a log cut at any byte opens with its first whole events, and opening it again changes nothing") {
    SimFiles whole;
    const auto log = opened(whole);
    for (std::uint64_t n = 0; n < 6; ++n)
        CHECK(log->append(count(n), at("2026-03-01T07:00:00Z") + n * 1s));
    const std::filesystem::path file = directory / "2026-03-01.jsonl";
    const std::string content = whole.content(file);
    const auto events = read_all(whole, log->end()).events;

    for (std::size_t size = 0; size <= content.size(); ++size) {
        SimFiles files;
        files.put(file, content.substr(0, size));
        const auto lines = static_cast<std::size_t>(
            std::count(content.begin(), content.begin() + static_cast<std::ptrdiff_t>(size), '\n'));
        auto cut = opened(files);
        const ReadBack left = read_all(files, cut->end());
        CAPTURE(size);
        REQUIRE(left.events.size() == lines);
        REQUIRE(is_prefix(left.events, events));
        REQUIRE(left.damaged == 0);
        REQUIRE(cut->torn_bytes() + cut->end().offset_bytes == size);

        const LogPosition end = cut->end();
        cut = opened(files);
        REQUIRE(cut->end() == end);
        REQUIRE(cut->torn_bytes() == 0);
        REQUIRE(cut->append(count(99), at("2026-03-01T08:00:00Z")));
        REQUIRE(read_all(files, cut->end()).events.size() == lines + 1);
    }
}

TEST_CASE("torn bytes that were cut off came back after a power cut, in place of a booked line") {
    const std::filesystem::path file = directory / "2026-03-01.jsonl";
    SimFiles files;
    CHECK(opened(files)->append(count(1), at("2026-03-01T07:00:00Z")));
    const std::string line = files.content(file);
    files.put(file, line + line.substr(0, 40));
    {
        const auto log = opened(files);
        REQUIRE(log->torn_bytes() == 40);
        CHECK(log->append(count(2), at("2026-03-01T08:00:00Z")));
    }
    files.cut_power(PowerCut::forgets_all);
    CHECK(files.content(file) == line);
}

TEST_CASE("a power cut loses only what was not synced") {
    rc::prop("any run of append, sync, power cut and open", [] {
        SimFiles files(*rc::gen::arbitrary<std::uint64_t>());
        auto log = MessageLog::open(files, directory).value();
        std::vector<std::string> accepted;
        std::size_t synced = 0;
        Instant now = at("2026-03-01T22:00:00Z");
        for (const int step : *rc::gen::container<std::vector<int>>(rc::gen::inRange(0, 12))) {
            if (step < 8) {
                now += 11min;
                Event event = count(accepted.size());
                RC_ASSERT(log->append(event, now).has_value());
                std::get<Message>(event).arrived_at = now;
                accepted.push_back(shown(event));
                // The log is synced before each midnight, so at most one file is not synced.
                if (step == 7 || now > at("2026-03-01T23:40:00Z")) {
                    RC_ASSERT(log->sync().has_value());
                    synced = accepted.size();
                }
                continue;
            }
            files.cut_power(step < 10 ? PowerCut::tears : PowerCut::forgets_all);
            log = MessageLog::open(files, directory).value();
            const auto left = read_all(files, log->end());
            RC_ASSERT(left.damaged == 0U);
            RC_ASSERT(left.events.size() >= synced);
            RC_ASSERT(is_prefix(left.events, accepted));
            accepted = left.events;
            synced = accepted.size();
        }
        RC_ASSERT(read_all(files, log->end()).events == accepted);
    });
}

TEST_CASE("an event that a full disk refuses leaves nothing behind") {
    SimFiles files;
    const auto log = opened(files);
    CHECK(log->append(count(1), at("2026-03-01T07:00:00Z")));
    const LogPosition end = log->end();
    const std::string content = files.content(directory / end.file);
    for (std::uint64_t fits = 0; fits < end.offset_bytes; ++fits) {
        files.set_free_bytes(fits);
        const auto refused = log->append(count(2), at("2026-03-01T07:00:01Z"));
        REQUIRE_FALSE(refused);
        REQUIRE(refused.error().text.find("No space left") != std::string::npos);
        REQUIRE(log->end() == end);
        REQUIRE(files.content(directory / end.file) == content);
    }
    files.set_free_without_end();
    CHECK(log->append(count(2), at("2026-03-01T07:00:01Z")));
    CHECK(read_all(files, log->end()).events.size() == 2);
    // A refused event did not move the stamp.
    CHECK(log->last_stamp() == at("2026-03-01T07:00:01Z"));
}

TEST_CASE("bytes of a failed append that could not be removed at once are removed before the next append") {
    SimFiles files;
    auto log = opened(files);
    CHECK(log->append(count(1), at("2026-03-01T23:00:00Z")));
    const LogPosition end = log->end();
    files.set_free_bytes(10);
    files.fail_truncates(2);
    CHECK_FALSE(log->append(count(2), at("2026-03-01T23:00:01Z")));
    CHECK(files.content(directory / end.file).size() == end.offset_bytes + 10);
    CHECK(log->end() == end);
    CHECK(read_all(files, log->end()).damaged == 0);

    files.set_free_without_end();
    // The second truncation fails as well: the event is refused, and nothing is written after the torn bytes.
    CHECK_FALSE(log->append(count(2), at("2026-03-02T00:00:01Z")));
    SECTION("the next append, on the next day") {
        CHECK(log->append(count(2), at("2026-03-02T00:00:02Z")));
        CHECK(files.content(directory / end.file).size() == end.offset_bytes);
    }
    SECTION("a restart") {
        log = opened(files);
        CHECK(log->torn_bytes() == 10);
        CHECK(log->append(count(2), at("2026-03-02T00:00:02Z")));
    }
    const ReadBack all = read_all(files, log->end());
    CHECK(all.events.size() == 2);
    CHECK(all.damaged == 0);
}

TEST_CASE("a failed sync is tried again, also across a change of file") {
    SimFiles files;
    const auto log = opened(files);
    CHECK(log->append(count(1), at("2026-03-01T23:59:59Z")));
    files.fail_syncs(1);
    CHECK_FALSE(log->sync());
    CHECK(log->append(count(2), at("2026-03-02T00:00:01Z")));
    files.fail_syncs(1);
    CHECK_FALSE(log->sync());
    CHECK(files.synced_content(directory / "2026-03-01.jsonl").empty());
    CHECK(log->sync());
    files.cut_power(PowerCut::forgets_all);
    CHECK(read_all(files, opened(files)->end()).events.size() == 2);
}

TEST_CASE("lines that a killed daemon had written before midnight and not synced were never synced") {
    SimFiles files;
    {
        const auto log = opened(files);
        CHECK(log->append(count(1), at("2026-03-01T23:59:59Z")));
        CHECK(log->append(count(2), at("2026-03-02T00:00:01Z")));
    }
    const auto log = opened(files);
    CHECK(log->sync());
    files.cut_power(PowerCut::forgets_all);
    CHECK(read_all(files, opened(files)->end()).events.size() == 2);
}

TEST_CASE("an event is refused if its file cannot be opened") {
    SimFiles files;
    const auto log = opened(files);
    files.fail_opens(1);
    CHECK_FALSE(log->append(count(1), at("2026-03-01T07:00:00Z")));
    CHECK(log->append(count(1), at("2026-03-01T07:00:00Z")));
    CHECK(read_all(files, log->end()).events.size() == 1);
}

TEST_CASE("days that are over and booked are removed, the others stay") {
    SimFiles files;
    const auto log = opened(files);
    const Instant start = at("2026-03-01T12:00:00Z");
    std::vector<LogPosition> ends;
    for (int day = 0; day < 4; ++day)
        ends.push_back(log->append(count(1), start + day * 24h).value());
    const auto names = [&] { return files.list(directory).value(); };

    CHECK(log->remove_before(at("2026-03-02T23:59:59Z"), LogPosition{}));
    CHECK(names().size() == 4);
    CHECK(log->remove_before(at("2027-01-01T00:00:00Z"), ends[0]));
    CHECK(names().size() == 4);
    CHECK(log->remove_before(at("2026-03-02T23:59:59Z"), ends[3]));
    CHECK(names() == std::vector<std::string>{"2026-03-02.jsonl", "2026-03-03.jsonl", "2026-03-04.jsonl"});
    CHECK(log->remove_before(at("2027-01-01T00:00:00Z"), ends[3]));
    CHECK(names() == std::vector<std::string>{"2026-03-04.jsonl"});

    // From a position in a removed day, reading goes on with the first day that exists.
    CHECK(read_all(files, log->end(), ends[0]).events.size() == 1);
    CHECK(read_all(files, log->end()).events.size() == 1);
}

TEST_CASE("one thread appends, one syncs, one reads along, on the machine's own files") {
    const TempDirectory place;
    const auto files = machine_files();
    const auto log = opened(*files, place.path());
    constexpr std::uint64_t messages = 4000;
    std::atomic<bool> appended_all = false;
    std::atomic<int> failures = 0;

    std::thread appender([&] {
        // The clock runs fast enough to change the file several times.
        for (std::uint64_t n = 0; n < messages; ++n) {
            if (!log->append(count(n), at("2026-03-01T00:00:00Z") + n * 2min)) ++failures;
        }
        appended_all = true;
    });
    std::thread syncer([&] {
        while (!appended_all) {
            if (!log->sync()) ++failures;
        }
    });
    std::uint64_t next_count = 0;
    MessageLogReader reader(*files, place.path(), {});
    const auto deadline = std::chrono::steady_clock::now() + 60s;
    while (next_count < messages && std::chrono::steady_clock::now() < deadline) {
        auto event = reader.next(log->end());
        if (!event || !*event) {
            if (!event) ++failures;
            continue;
        }
        const auto& message = std::get<Message>((*event)->event);
        if (message.payload != count(next_count).payload) ++failures;
        ++next_count;
    }
    appender.join();
    syncer.join();
    CHECK(next_count == messages);
    CHECK(failures == 0);
    CHECK(reader.damaged_lines() == 0);
    CHECK(files->list(place.path()).value().size() == 6);
    CHECK(log->sync());
}

TEST_CASE("the log is the same after it was closed and opened on the machine's own files") {
    const TempDirectory place;
    const auto files = machine_files();
    auto log = opened(*files, place.path() / "messages");
    CHECK(log->append(count(1), at("2026-03-01T07:00:00Z")));
    CHECK(log->sync());
    auto torn = files->open_append(place.path() / "messages" / "2026-03-01.jsonl").value();
    CHECK(torn->append("{\"tst\":\"2026"));
    log = opened(*files, place.path() / "messages");
    CHECK(log->torn_bytes() == 12);
    CHECK(log->append(count(2), at("2026-03-01T07:00:01Z")));
    CHECK(read_all(*files, log->end(), {}, place.path() / "messages").events.size() == 2);
}

TEST_CASE("a log whose file is removed, moved or cut is rewritten before the next event is accepted") {
    const TempDirectory where;
    const auto messages = where / "messages";
    const auto files = machine_files();
    auto log = opened(*files, messages);
    REQUIRE(log->append(count(1), at("2026-03-01T10:00:00Z")));
    REQUIRE(log->append(count(2), at("2026-03-01T10:00:01Z")));
    const LogPosition before = log->end();
    const auto file = messages / "2026-03-01.jsonl";
    std::size_t lost = 0;
    SECTION("removed") {
        std::filesystem::remove(file);
    }
    SECTION("with its directory") {
        std::filesystem::remove_all(messages);
    }
    SECTION("moved") {
        std::filesystem::rename(file, where / "elsewhere");
        (void)log->horizon(at("2026-03-01T10:00:01Z"));  // Looks at the file, as every booking pass does.
    }
    SECTION("another file in its place is put aside") {
        std::filesystem::remove(file);
        std::filesystem::copy_file(where.write("other", "something of a person's\n"), file);
    }
    SECTION("a link in its place is not followed") {
        std::filesystem::remove(file);
        std::filesystem::create_symlink(where.write("precious", "precious"), file);
    }
    SECTION("emptied, which loses only what it held") {
        std::filesystem::resize_file(file, 0);
        lost = 2;
    }
    SECTION("cut within a line") {
        std::filesystem::resize_file(file, before.offset_bytes - 3);
        lost = 1;
    }
    REQUIRE(log->append(count(3), at("2026-03-01T10:00:02Z")));
    const ReadBack all = read_all(*files, log->end(), {}, messages);
    REQUIRE(all.events.size() == 3 - lost);
    CHECK(all.events.back().find("\"count\":3") != std::string::npos);
    CHECK(all.damaged == (lost > 0 ? 1 : 0));
    // Positions in the log stay the same, because the ledger stores one.
    CHECK(read_all(*files, log->end(), before, messages).events.size() == 1);
    if (std::filesystem::exists(where / "precious"))
        CHECK(std::filesystem::file_size(where / "precious") == 8);
}

TEST_CASE("a clock that jumps ahead removes no day after which too few days were seen") {
    SimFiles files;
    const auto log = opened(files);
    const Instant start = at("2026-03-01T12:00:00Z");
    LogPosition end;
    for (int day = 0; day < 5; ++day)
        end = log->append(count(1), start + day * 24h).value();
    end = log->append(count(1), start + 24h * 365).value();
    const auto names = [&] { return files.list(directory).value(); };
    // As with keep_messages = "7d" and "4d".
    CHECK(log->remove_before(start + 24h * 358, end));
    CHECK(names().size() == 6);
    CHECK(log->remove_before(start + 24h * 361, end));
    CHECK(names().front() == "2026-03-03.jsonl");
    CHECK(names().size() == 4);
}
