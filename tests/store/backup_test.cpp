// Backups and checks of a ledger, and the rescue of a damaged one.
#include "store/backup.hpp"

#include <catch2/catch.hpp>
#include <fstream>
#include <thread>

#include "store/database.hpp"
#include "store/ledger.hpp"
#include "store/ledger_view.hpp"
#include "store/rescue.hpp"
#include "support/temp_directory.hpp"

using namespace tickledger;
using namespace std::chrono_literals;
using tickledger::test::TempDirectory;
namespace fs = std::filesystem;

namespace {

const Instant monday = std::chrono::sys_days{std::chrono::year{2026} / 3 / 2};

/// Writes enough into a ledger to fill many pages.
void fill(Ledger& ledger, std::uint64_t first_boot = 1) {
    REQUIRE(ledger.begin());
    for (std::uint64_t i = 0; i < 2000; ++i)
        REQUIRE(ledger.put_boot(1, {(first_boot + i) << 40}));
    REQUIRE(ledger.commit());
}

fs::path filled_ledger(const TempDirectory& directory, const char* accepted) {
    const auto file = directory / "ledger.db";
    auto ledger = std::move(Ledger::open(file).value());
    fill(*ledger);
    REQUIRE(ledger->set_fact("accepted", accepted));
    return file;
}

/// Overwrites a part of the last page, which is a leaf of the table of boots.
void damage(const fs::path& file) {
    std::fstream raw(file, std::ios::in | std::ios::out | std::ios::binary);
    raw.seekp(-4096, std::ios::end);
    raw << std::string(2048, '\x7f');
}

/// The number of bytes that this process has read so far, from any file.
long bytes_read() {
    std::ifstream io("/proc/self/io");
    std::string name;
    long bytes = 0;
    io >> name >> bytes;
    REQUIRE(name == "rchar:");
    return bytes;
}

std::string accepted_in(const fs::path& file) {
    auto view = LedgerView::open(file);
    REQUIRE(view);
    return (*view)->fact("accepted").value().value_or("nothing");
}

/// The names of the files, without those that SQLite puts beside a database that it reads.
std::vector<std::string> names_in(const fs::path& directory) {
    std::vector<std::string> names;
    for (const auto& entry : fs::directory_iterator(directory)) {
        const std::string name = entry.path().filename().string();
        if (!name.ends_with("-wal") && !name.ends_with("-shm")) names.push_back(name);
    }
    std::sort(names.begin(), names.end());
    return names;
}

Rescue rescued(const fs::path& ledger, const fs::path& backups, Instant now = monday) {
    const auto done = rescue_ledger(ledger, Backups(backups), now, 10s);
    INFO((done ? std::string() : done.error().text));
    REQUIRE(done);
    return *done;
}

}  // namespace

TEST_CASE("a sound ledger passes the quick check, a damaged one does not") {
    const TempDirectory directory;
    const auto file = filled_ledger(directory, "1");
    CHECK(quick_check(file).soundness == Soundness::sound);
    damage(file);
    const Check checked = quick_check(file);
    CHECK(checked.soundness == Soundness::damaged);
    CHECK_THAT(checked.text, Catch::Contains("ledger.db") && Catch::Contains("damaged"));
    CHECK(quick_check(directory / "missing.db").soundness == Soundness::unknown);
    std::ofstream(directory / "notes.db") << std::string(4096, 'x');
    CHECK(quick_check(directory / "notes.db").soundness == Soundness::no_database);
}

TEST_CASE("a check that may not go on is unfinished") {
    const TempDirectory directory;
    const auto file = filled_ledger(directory, "1");
    CHECK(quick_check(file, [] { return false; }).soundness == Soundness::unfinished);
}

TEST_CASE("a check that was given up at once had already read the whole file") {
    const TempDirectory directory;
    const auto file = filled_ledger(directory, "1");
    {
        auto writer = std::move(Database::open(file, Database::Access::write).value());
        REQUIRE(
            writer->execute("INSERT INTO fact WITH RECURSIVE n (i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n"
                            " WHERE i < 1000) SELECT 'large/' || i, hex(zeroblob(4000)) FROM n"));
    }
    REQUIRE(fs::file_size(file) > 8'000'000);
    const auto before = bytes_read();
    CHECK(quick_check(file, [] { return false; }).soundness == Soundness::unfinished);
    CHECK(bytes_read() - before < 1'000'000);
}

TEST_CASE("a backup is taken beside the writer, holds the committed data and replaces an older one") {
    const TempDirectory directory;
    const auto file = directory / "ledger.db";
    const auto copy = directory / "copy.db";
    auto ledger = std::move(Ledger::open(file).value());
    for (const char* value : {"1", "2"}) {
        REQUIRE(ledger->set_fact("accepted", value));
        REQUIRE(ledger->begin());
        REQUIRE(ledger->set_fact("accepted", "half done"));
        const auto backed_up = back_up(file, copy);
        INFO((backed_up ? std::string() : backed_up.error().text));
        REQUIRE(backed_up);
        ledger->roll_back();
        CHECK(quick_check(copy).soundness == Soundness::sound);
        CHECK(accepted_in(copy) == value);
    }
    CHECK_FALSE(fs::exists(directory / "copy.db.part"));
    const auto nowhere = back_up(file, directory / "nowhere/copy.db");
    REQUIRE_FALSE(nowhere);
    CHECK_THAT(nowhere.error().text, Catch::Contains("nowhere/copy.db"));
    CHECK_FALSE(back_up(directory / "missing.db", copy));
    CHECK(LedgerView::open(copy));
}

TEST_CASE("a backup ends although the daemon commits all the time, and shows one moment") {
    const TempDirectory directory;
    const auto file = filled_ledger(directory, "0");
    auto ledger = std::move(Ledger::open(file).value());
    // The copy asks after each part whether to go on, so there is a commit between any two parts.
    int commits = 0;
    const auto copied = back_up(file, directory / "copy.db", [&] {
        REQUIRE(ledger->begin());
        REQUIRE(ledger->set_fact("accepted", std::to_string(++commits)));
        REQUIRE(ledger->put_boot(2, {static_cast<std::uint64_t>(commits)}));
        REQUIRE(ledger->commit());
        return commits < 1000;
    });
    INFO((copied ? std::string() : copied.error().text));
    REQUIRE(copied);
    CHECK(commits > 1);
    CHECK(accepted_in(directory / "copy.db") == "0");
}

TEST_CASE("a backup of a damaged ledger fails, and the one before it stays") {
    const TempDirectory directory;
    const auto file = filled_ledger(directory, "1");
    const Backups backups(directory / "backups");
    REQUIRE(backups.make(file, monday, 1));
    damage(file);
    const auto made = backups.make(file, monday + 24h, 1);
    REQUIRE_FALSE(made);
    CHECK_THAT(made.error().text, Catch::Contains("20260303T000000Z") && Catch::Contains("damaged"));
    CHECK(names_in(directory / "backups") == std::vector<std::string>{"ledger-20260302T000000Z.db"});
}

TEST_CASE("the newest backups are kept, the oldest are removed") {
    const TempDirectory directory;
    const auto file = filled_ledger(directory, "1");
    const Backups backups(directory / "on/another/disk");
    CHECK(backups.list().value().empty());
    for (int day = 0; day < 5; ++day)
        REQUIRE(backups.make(file, monday + day * 24h, 3));
    std::ofstream(directory / "on/another/disk/ledger-of-my-own.db") << "not ours";
    const auto all = backups.list().value();
    REQUIRE(all.size() == 3);
    CHECK(all.front().made_at == monday + 2 * 24h);
    CHECK(all.back().made_at == monday + 4 * 24h);
    CHECK(all.back().size_bytes == fs::file_size(all.back().file));
    CHECK(fs::exists(directory / "on/another/disk/ledger-of-my-own.db"));
}

TEST_CASE("a sound ledger and a new one need no rescue") {
    const TempDirectory directory;
    CHECK(rescued(directory / "ledger.db", directory / "backups").told.empty());
    CHECK_FALSE(fs::exists(directory / "ledger.db"));
    const auto file = filled_ledger(directory, "1");
    REQUIRE(Backups(directory / "backups").make(file, monday, 1));
    const Rescue rescue = rescued(file, directory / "backups");
    CHECK(rescue.told.empty());
    CHECK_FALSE(rescue.is_unchecked);
    CHECK_FALSE(last_rescue(file));
}

TEST_CASE("a large ledger is not checked at the start, except that it is a database") {
    const TempDirectory directory;
    const auto file = filled_ledger(directory, "1");
    const auto backups = directory / "backups";
    REQUIRE(Backups(backups).make(file, monday, 1));
    fs::resize_file(file, 20 << 20);
    CHECK(rescued(file, backups).told.empty());
    CHECK(rescued(file, backups).is_unchecked);
    std::fstream(file, std::ios::in | std::ios::out | std::ios::binary) << "no database at all";
    CHECK_FALSE(rescued(file, backups).told.empty());
    CHECK(accepted_in(file) == "1");
}

TEST_CASE("a damaged ledger is set aside and restored from the newest sound backup") {
    const TempDirectory directory;
    const auto file = filled_ledger(directory, "of the backup");
    const Backups backups(directory / "backups");
    REQUIRE(backups.make(file, monday, 5));
    {
        auto ledger = std::move(Ledger::open(file).value());
        REQUIRE(ledger->set_fact("accepted", "later"));
    }
    REQUIRE(backups.make(file, monday + 1h, 5));
    SECTION("pages are damaged") {
        damage(file);
    }
    SECTION("the file is cut short") {
        fs::resize_file(file, fs::file_size(file) / 2);
    }
    SECTION("its first page is gone") {
        std::fstream(file, std::ios::in | std::ios::out | std::ios::binary) << std::string(1024, '\0');
    }
    SECTION("damage was found while it was in use") {
        REQUIRE(note_damage(file, "The ledger was found damaged on Tuesday."));
    }
    SECTION("damage was noted by an earlier version when the disk was full, without a word") {
        std::ofstream(file.string() + ".damage-found").flush();
    }
    SECTION("nothing is left of it") {
        fs::resize_file(file, 0);
    }
    SECTION("the newest backup is damaged too") {
        damage(file);
        damage(backups.list().value().back().file);
    }
    const bool newest_is_sound =
        quick_check(backups.list().value().back().file).soundness == Soundness::sound;
    const Rescue rescue = rescued(file, directory / "backups", monday + 2h);
    INFO(rescue.told);
    CHECK_THAT(rescue.told, Catch::Contains(newest_is_sound ? "2026-03-02T01:00:00" : "2026-03-02T00:00:00"));
    CHECK(accepted_in(file) == (newest_is_sound ? "later" : "of the backup"));
    CHECK(fs::exists(directory / "ledger.damaged-20260302T020000Z.db"));
    CHECK(last_rescue(file) == rescue.told);
    // A second rescue does nothing.
    CHECK(rescued(file, directory / "backups", monday + 3h).told.empty());
    // The rescue is reported until the damaged file is removed.
    fs::remove(directory / "ledger.damaged-20260302T020000Z.db");
    CHECK_FALSE(last_rescue(file));
}

TEST_CASE("the write-ahead log of a damaged ledger does not spoil the restored one") {
    const TempDirectory directory;
    const auto file = directory / "ledger.db";
    {
        auto ledger = std::move(Ledger::open(file).value());
        fill(*ledger);
        REQUIRE(ledger->set_fact("accepted", "of the backup"));
        REQUIRE(Backups(directory / "backups").make(file, monday, 1));
        fill(*ledger, 5000);
        // A killed daemon leaves its write-ahead log.
        fs::create_directory(directory / "kept");
        fs::copy(file, directory / "kept/ledger.db");
        fs::copy(file.string() + "-wal", directory / "kept/ledger.db-wal");
    }
    for (const char* name : {"ledger.db", "ledger.db-wal"})
        fs::copy(directory / "kept" / name, directory / name, fs::copy_options::overwrite_existing);
    REQUIRE(note_damage(file, "The ledger is damaged."));
    CHECK_FALSE(rescued(file, directory / "backups").told.empty());
    CHECK(accepted_in(file) == "of the backup");
    CHECK(quick_check(file).soundness == Soundness::sound);
    CHECK(fs::exists(directory / "ledger.damaged-20260302T000000Z.db-wal"));
}

TEST_CASE("a rescue that was killed half way is completed by the next start") {
    const TempDirectory directory;
    const auto file = filled_ledger(directory, "of the backup");
    REQUIRE(Backups(directory / "backups").make(file, monday, 1));
    damage(file);
    // Killed after the ledger was set aside, and while the copy was being written.
    fs::rename(file, directory / "ledger.damaged-20260302T000000Z.db");
    std::ofstream(directory / "ledger.db.part") << "half a copy";
    CHECK_FALSE(rescued(file, directory / "backups", monday + 5s).told.empty());
    CHECK(accepted_in(file) == "of the backup");
    CHECK_FALSE(fs::exists(directory / "ledger.db.part"));
}

TEST_CASE("backups that could not be listed counted as none, so a new ledger replaced a missing one") {
    const TempDirectory directory;
    // A path through a file, which cannot be listed by root either.
    const Backups backups(directory.write("disk", "in the way") / "backups");
    CHECK_THAT(backups.list().error().text,
               Catch::Contains("disk/backups") && Catch::Contains("cannot be read"));
    const auto done = rescue_ledger(directory / "ledger.db", backups, monday, 10s);
    REQUIRE_FALSE(done);
    CHECK_THAT(done.error().text, Catch::Contains("is missing") && Catch::Contains("Nothing was changed"));
    // A sound ledger needs no backup.
    CHECK(rescue_ledger(filled_ledger(directory, "1"), backups, monday, 10s));
}

TEST_CASE("damage that could not be noted was lost without a word") {
    const TempDirectory directory;
    fs::create_directory(directory / "ledger.db.damage-found");
    const auto noted = note_damage(directory / "ledger.db", "The ledger is damaged.");
    REQUIRE_FALSE(noted);
    CHECK_THAT(noted.error().text, Catch::Contains("ledger.db.damage-found") && Catch::Contains("move"));
}

TEST_CASE("without a sound backup, or a second time within an hour, nothing is touched") {
    const TempDirectory directory;
    const auto file = filled_ledger(directory, "1");
    const Backups backups(directory / "backups");
    const auto refused = [&](Instant now) {
        const auto before = names_in(directory.path());
        const auto done = rescue_ledger(file, backups, now, 10s);
        CHECK(names_in(directory.path()) == before);
        REQUIRE_FALSE(done);
        return done.error().text;
    };
    damage(file);
    CHECK_THAT(refused(monday), Catch::Contains("no sound backup") && Catch::Contains("backups"));
    fs::remove(file);
    static_cast<void>(filled_ledger(directory, "1"));
    REQUIRE(backups.make(file, monday, 1));
    damage(file);
    CHECK_FALSE(rescued(file, directory / "backups").told.empty());
    damage(file);
    CHECK_THAT(refused(monday + 59min), Catch::Contains("within the last hour"));
    CHECK_FALSE(rescued(file, directory / "backups", monday + 61min).told.empty());
}

TEST_CASE("a file that never was a ledger is left alone") {
    const TempDirectory directory;
    const auto file = directory / "ledger.db";
    std::ofstream(file) << "these are somebody's notes, and no ledger";
    CHECK(rescued(file, directory / "backups").told.empty());
    CHECK(names_in(directory.path()) == std::vector<std::string>{"ledger.db"});
}
