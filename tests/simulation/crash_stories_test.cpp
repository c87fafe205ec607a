// Crashes, power cuts and full disks, one story at a time. Each lost or doubled a tick, or could have.
#include "simulation/stage.hpp"

using namespace tickledger;
using namespace tickledger::simulation;
using std::chrono::hours;
using std::chrono::minutes;
using std::chrono::seconds;
using test::PowerCut;

TEST_CASE("crash story: power cut after the acknowledgement and before the sync") {
    Stage stage;
    REQUIRE(stage.hear(100, 1));
    REQUIRE(stage.hear_next(105, 2));
    stage.book();
    stage.sync();
    REQUIRE(stage.hear_next(109, 3));
    stage.cut_power();
    stage.start();
    // Number 3 was acknowledged, so the broker does not send it again; the count of number 4 makes up for it.
    REQUIRE(stage.hear_next(111, 4));
    stage.let_silence_end();
    CHECK(stage.total() == 11);
}

TEST_CASE("crash story: acknowledged pulses lost in a power cut leave a gap, and a repeat of them fills it") {
    Stage stage(house(MessageForm::pulses));
    REQUIRE(stage.hear(2, 1));
    stage.book();
    stage.sync();
    REQUIRE(stage.hear_next(4, 2));
    stage.cut_power();
    stage.start();
    REQUIRE(stage.hear_next(3, 3));
    stage.let_silence_end();
    CHECK(stage.total() == 5);
    CHECK(stage.books().meters().at(0).entries.at(1).kind == EntryKind::lost);
    stage.start();
    REQUIRE(stage.hear(4, 2, 1, "", true));
    CHECK(stage.total() == 9);
}

TEST_CASE("crash story: the ledger kept its batch and the log lost its lines") {
    Stage stage;
    REQUIRE(stage.hear(100, 1));
    stage.sync();
    for (int seq = 2; seq <= 6; ++seq)
        REQUIRE(stage.hear_next(100 + static_cast<std::uint64_t>(seq), seq));
    stage.book();
    // Closing the ledger syncs it to the disk; the log lines it was booked from are not synced yet.
    stage.daemon.reset();
    stage.cut_power();
    stage.start();
    CHECK(stage.daemon->log().end() < stage.daemon->started_from());
    // New lines take the places of lines that were booked, and must still be booked.
    REQUIRE(stage.hear_next(110, 7));
    REQUIRE(stage.hear(106, 6, 1, "", true));
    REQUIRE(stage.hear_next(115, 8));
    CHECK(stage.total() == 15);
}

TEST_CASE("crash story: a kill before the first batch after the log had lost its lines skipped new lines") {
    for (const bool loses_power : {false, true}) {
        INFO("loses power: " << loses_power);
        Stage stage;
        REQUIRE(stage.hear(100, 1));
        stage.sync();
        for (int seq = 2; seq <= 6; ++seq)
            REQUIRE(stage.hear_next(100 + static_cast<std::uint64_t>(seq), seq));
        stage.book();
        stage.daemon.reset();
        stage.cut_power();
        stage.start();
        REQUIRE(stage.daemon->log().end() < stage.daemon->started_from());
        REQUIRE(stage.hear_next(110, 7));
        stage.sync();
        loses_power ? stage.cut_power() : stage.kill();
        stage.start();
        CHECK(stage.total() == 10);
    }
}

TEST_CASE("crash story: the log kept its lines and the ledger lost its batches") {
    Stage stage;
    REQUIRE(stage.hear(100, 1));
    for (int seq = 2; seq <= 50; ++seq) {
        REQUIRE(stage.hear_next(100 + static_cast<std::uint64_t>(seq), seq));
        stage.book();
    }
    stage.sync();
    stage.cut_power();
    stage.start();
    CHECK(stage.daemon->started_from() < stage.daemon->log().end());
    CHECK(stage.total() == 50);
}

TEST_CASE("crash story: the ledger kept its batch and the log was cut back to its first line") {
    Stage stage;
    REQUIRE(stage.hear(100, 1));
    REQUIRE(stage.hear_next(104, 2));
    REQUIRE(stage.hear_next(109, 3));
    stage.book();
    const std::filesystem::path file =
        std::filesystem::path(messages_directory) / stage.daemon->log().end().file;
    stage.kill();
    const std::string content = stage.machine.disk().content(file);
    stage.machine.disk().put(file, content.substr(0, content.find('\n') + 1));
    stage.start();
    CHECK(stage.daemon->log().end() < stage.daemon->started_from());
    // This line is shorter than the lost ones, so at the ledger's old place in the log it would be skipped.
    REQUIRE(stage.hear_next(112, 4));
    CHECK(stage.total() == 12);
}

TEST_CASE("crash story: disk full in the middle of a line") {
    Stage stage;
    REQUIRE(stage.hear(100, 1));
    for (const std::uint64_t free_bytes : {0, 1, 40, 90}) {
        CAPTURE(free_bytes);
        stage.machine.set_free_bytes(free_bytes);
        stage.wait(minutes{3});
        CHECK_FALSE(stage.hear(104, 2));
        CHECK_FALSE(stage.hear(104, 2));
    }
    stage.machine.set_free_without_end();
    // The message was not acknowledged, so the broker sends it again.
    REQUIRE(stage.hear(104, 2, 1, "", true));
    CHECK(stage.total() == 4);
}

TEST_CASE("crash story: disk full in the middle of a line, then a kill before there was room again") {
    Stage stage;
    REQUIRE(stage.hear(100, 1));
    stage.machine.set_free_bytes(25);
    CHECK_FALSE(stage.hear_next(104, 2));
    stage.kill();
    stage.machine.set_free_without_end();
    stage.start();
    REQUIRE(stage.hear(104, 2));
    CHECK(stage.total() == 4);
}

TEST_CASE("crash story: the ledger has no room for days of messages, and books them all once it has") {
    Stage stage;
    REQUIRE(stage.hear(100, 1));
    stage.book();
    // More than fits into the space that the write-ahead log already has and reuses.
    for (int seq = 2; seq <= 5000; ++seq)
        REQUIRE(stage.hear_next(100 + static_cast<std::uint64_t>(seq), seq));
    stage.machine.vfs().set_free_bytes(3000);
    CHECK(stage.daemon->book_all() == Engine::Step::failed);
    CHECK_THAT(stage.daemon->engine().trouble(), Catch::Contains("the disk is full"));
    REQUIRE(stage.hear_next(5200, 5001));
    CHECK(stage.daemon->book_all() == Engine::Step::failed);
    stage.machine.set_free_without_end();
    CHECK(stage.total() == 5100);
}

TEST_CASE("crash story: a kill before the outbox is cleared repeats the same publications, and only once") {
    Stage stage;
    for (int seq = 1; seq <= 12; ++seq)
        REQUIRE(stage.hear_next(100 + static_cast<std::uint64_t>(seq), seq));
    stage.book();
    stage.kill();
    stage.start();
    stage.book();
    std::map<std::string, int> told;
    const auto tell = [&](const Outgoing& outgoing) {
        if (outgoing.topic == "meters/house/usage") ++told[outgoing.payload];
    };
    stage.daemon->publish(tell);
    // Acknowledged in memory only. A kill before they leave the outbox makes the daemon publish them again.
    stage.kill();
    stage.start();
    stage.daemon->publish(tell);
    stage.wait(minutes{1});
    REQUIRE(stage.hear_next(200, 13));
    stage.book();
    stage.kill();
    stage.start();
    stage.daemon->publish([&](const Outgoing& outgoing) {
        if (outgoing.topic == "meters/house/usage") CHECK(told.count(outgoing.payload) == 0);
    });
    CHECK(told.size() == 2);
    for (const auto& [payload, times] : told)
        CHECK(times == 2);
}

TEST_CASE("crash story: the clock was set back an hour across a restart") {
    Stage stage;
    REQUIRE(stage.hear(100, 1));
    REQUIRE(stage.hear_next(102, 2));
    stage.book();
    stage.kill();
    stage.clock.error = -hours{1};
    stage.start();
    REQUIRE(stage.hear_next(103, 3));
    REQUIRE(stage.hear_next(104, 4));
    stage.book();
    stage.wait(hours{1});
    REQUIRE(stage.hear_next(120, 5));
    stage.let_silence_end();
    CHECK(stage.total() == 20);
    const Books books = stage.books();
    INFO(words(books));
    Instant before = noon;
    for (const Entry& entry : books.meters().at(0).entries) {
        CHECK(format_utc(entry.span.from) == format_utc(before));
        CHECK(entry.span.to >= entry.span.from);
        before = entry.span.to;
    }
}

TEST_CASE("crash story: a kill in the middle of a backlog") {
    for (const MessageForm form : {MessageForm::counter, MessageForm::pulses}) {
        CAPTURE(static_cast<int>(form));
        Stage stage(house(form));
        const auto said = [&](int seq) {
            return static_cast<std::uint64_t>(form == MessageForm::counter ? 100 + 7 * seq : 7);
        };
        stage.link_up(false);
        REQUIRE(stage.hear(said(0), 1));
        stage.book();
        // Ten messages wait at the broker for half an hour; the daemon gets five of them.
        stage.kill();
        stage.wait(minutes{30});
        stage.start();
        stage.link_up();
        for (int seq = 1; seq <= 5; ++seq)
            REQUIRE(stage.hear(said(seq), seq + 1));
        stage.book();
        stage.kill();
        stage.wait(seconds{5});
        stage.start();
        stage.link_up();
        for (int seq = 5; seq <= 10; ++seq) {
            REQUIRE(stage.hear(said(seq), seq + 1, 1, "", seq <= 6));
            stage.wait(std::chrono::milliseconds{2});
        }
        stage.wait(minutes{1});
        stage.book();
        const Books books = stage.books();
        INFO(words(books));
        std::int64_t ticks = 0;
        for (const Entry& entry : books.meters().at(0).entries)
            ticks += entry.ticks;
        CHECK(ticks == (form == MessageForm::counter ? 70 : 77));
        CHECK(books.meters().at(0).refused.empty());
    }
}

TEST_CASE("crash story: killed while the clock was not set, and restarted once it was") {
    Stage stage;
    REQUIRE(stage.hear(100, 1));
    stage.book();
    stage.sync();
    stage.cut_power();
    stage.clock.is_set = false;
    stage.start();
    stage.wait(minutes{3});
    REQUIRE(stage.hear(103, 2));
    stage.book();
    stage.kill();
    stage.clock.is_set = true;
    stage.start();
    REQUIRE(stage.hear_next(110, 3));
    stage.book();
    CHECK(stage.daemon->engine().undated_count() == 0);
    CHECK(stage.total() == 10);
}

TEST_CASE("crash story: a message sent yesterday does not set the clock of a server without the time") {
    Stage stage;
    const auto time = [&](Duration ago) {
        return ",\"time\":\"" + format_utc(stage.clock.true_time - ago) + "\"";
    };
    REQUIRE(stage.hear(100, 1, 1, time(Duration{0})));
    stage.book();
    stage.sync();
    stage.cut_power();
    stage.wait(hours{24});
    stage.clock.machine_started_at = stage.clock.true_time;
    stage.clock.is_set = false;
    stage.start();
    stage.link_up();
    // In the order of sending: the oldest first.
    REQUIRE(stage.hear(101, 2, 1, time(hours{23})));
    REQUIRE(stage.hear(150, 3, 1, time(Duration{0})));
    stage.wait(minutes{3});
    REQUIRE(stage.hear(151, 4, 1, time(Duration{0})));
    // Nor does a live message of one node. The messages wait until the server knows the time.
    stage.book();
    CHECK(stage.daemon->engine().undated_count() == 3);
    stage.clock.is_set = true;
    stage.book();
    CHECK(stage.total() == 51);
    const Books books = stage.books();
    INFO(words(books));
    CHECK(format_utc(books.meters().at(0).entries.back().span.to) ==
          format_utc(noon + hours{24} + minutes{3}));
}

namespace {

std::uint64_t count_of(int seq) {
    return static_cast<std::uint64_t>(100 + 2 * seq + seq % 2);
}

/// Messages over an afternoon, with restarts of the node; booked in batches of ten.
void play(Stage& stage, int from, int to) {
    for (int seq = from; seq <= to; ++seq) {
        if (!stage.hear_next(count_of(seq), seq, 1 + seq / 15)) return;
        if (seq % 10 == 0) (void)stage.daemon->book_all();
        if (stage.machine.is_down()) return;
    }
    (void)stage.daemon->book_all();
}

void strikes_at_every_write(Blow blow) {
    Stage calm;
    play(calm, 1, 40);
    calm.wait(hours{30});
    calm.book();
    const Books right = calm.books();
    // Strikes at the first write, the second and so on, until the story ends before the blow.
    for (std::uint64_t writes = 0;; writes += 1 + writes / 25) {
        CAPTURE(writes);
        Stage stage;
        stage.machine.strike_after(writes, blow);
        play(stage, 1, 40);
        const bool was_struck = stage.machine.is_down();
        stage.machine.disarm();
        if (was_struck) {
            stage.daemon.reset();
            stage.start();
            // A sender without an acknowledgement sends again: here, everything.
            for (int seq = 1; seq <= 40; ++seq)
                REQUIRE(stage.hear_next(count_of(seq), seq, 1 + seq / 15));
        }
        stage.wait(hours{30});
        stage.book();
        const Books books = stage.books();
        std::int64_t ticks = 0;
        std::int64_t right_ticks = 0;
        for (const Entry& entry : books.meters().at(0).entries)
            ticks += entry.ticks;
        for (const Entry& entry : right.meters().at(0).entries)
            right_ticks += entry.ticks;
        CHECK(ticks == right_ticks);
        for (const std::int64_t row_ticks : books.meters().at(0).row_ticks)
            CHECK(row_ticks == ticks);
        if (!was_struck) {
            CHECK(Books::difference(books, right) == std::nullopt);
            CHECK(writes > 50);
            return;
        }
    }
}

}  // namespace

TEST_CASE("crash story: a kill at each write") {
    strikes_at_every_write(Blow::kill);
}
TEST_CASE("crash story: a power cut at each write") {
    strikes_at_every_write(Blow::power_cut);
}

TEST_CASE("crash story: if every line must be synced, a line whose sync fails is not acknowledged") {
    Stage stage;
    stage.kill();
    stage.settings.sync_every = Duration{0};
    stage.start();
    REQUIRE(stage.hear(100, 1));
    stage.machine.disk().fail_syncs(1);
    CHECK_FALSE(stage.hear_next(104, 2));
    // The broker sends it again. The line of the first attempt may be in the log too.
    REQUIRE(stage.hear(104, 2, 1, "", true));
    CHECK(stage.total() == 4);
}

TEST_CASE("crash story: a reload while a message is held does not change how it is booked") {
    std::vector<MeterSettings> others{house()};
    others[0].alarms.silent_after = std::chrono::hours{5};
    const auto told = [&](bool reloads) {
        Stage stage;
        REQUIRE(stage.hear(100, 1));
        REQUIRE(stage.hear_next(7, 2));
        stage.book();
        if (reloads) REQUIRE(stage.daemon->reload(others));
        REQUIRE(stage.hear_next(9, 3));
        stage.book();
        return words(stage.books());
    };
    CHECK(told(true) == told(false));
}

TEST_CASE("crash story: a power cut undid batches whose lines the log had already removed as old") {
    Stage stage;
    stage.kill();
    stage.settings.retention.messages = hours{24 * 3};
    stage.settings.meters[0].cadence = hours{6};
    stage.start();
    // There is so little to write that SQLite never syncs on its own.
    for (int n = 0; n < 40; ++n) {
        REQUIRE(stage.hear(100U + static_cast<unsigned>(n), n + 1));
        stage.sync();
        stage.wait(hours{6});
        stage.book();
    }
    stage.cut_power();
    stage.start();
    CHECK(stage.total() == 39);
}
