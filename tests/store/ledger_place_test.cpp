// A ledger whose files are taken away while the daemon uses them.
#include "store/ledger_place.hpp"

#include <catch2/catch.hpp>
#include <fstream>

#include "store/backup.hpp"
#include "store/database.hpp"
#include "store/ledger_view.hpp"
#include "store/opened_ledger.hpp"
#include "support/child_process.hpp"
#include "support/temp_directory.hpp"

using namespace tickledger;
using namespace tickledger::test;

TEST_CASE("an index in memory shuts out other processes, but no connection of this process") {
    const TempDirectory where;
    const auto file = where / "ledger.db";
    auto ledger = std::move(Ledger::open(file, {}, WalIndex::memory).value());
    const auto commit = [&](const std::string& value) {
        done(ledger->begin());
        done(ledger->set_fact("kept", value));
        done(ledger->commit());
    };
    const auto as_others_see = [&] {
        ChildProcess shell({"sqlite3", "-readonly", file, "SELECT value FROM fact WHERE name = 'kept'"},
                           {.out = where / "out", .error = where / "error"});
        REQUIRE(shell.wait());
        return read_file(where / "out") + read_file(where / "error");
    };
    commit("first");
    const auto view = value_of(LedgerView::open(file));
    CHECK(value_of(view->fact("kept")) == "first");
    commit("second");
    CHECK(value_of(view->fact("kept")) == "second");
    CHECK_FALSE(std::filesystem::exists(file.string() + "-shm"));
    CHECK_THAT(as_others_see(), Catch::Contains("locked"));
    done(back_up(file, where / "copy.db"));
    CHECK(quick_check(file).soundness == Soundness::sound);

    std::filesystem::remove(file);
    done(ledger->stay_in_place());
    commit("third");
    CHECK_FALSE(std::filesystem::exists(file.string() + "-shm"));
    CHECK_THAT(as_others_see(), Catch::Contains("locked"));
    ledger.reset();
    CHECK(as_others_see() == "third\n");
}

TEST_CASE("a ledger whose files were removed or replaced went on writing to the deleted files") {
    const TempDirectory where;
    const auto file = where / "store/ledger.db";
    std::filesystem::create_directory(where / "store");
    auto ledger = opened(file);
    done(ledger->begin());
    done(ledger->set_fact("kept", "before"));
    done(ledger->commit());
    CHECK(ledger->is_in_place());
    const auto view = value_of(LedgerView::open(file));
    REQUIRE(view->is_in_place());
    SECTION("the file") {
        std::filesystem::remove(file);
    }
    SECTION("its write-ahead log") {
        std::filesystem::remove(file.string() + "-wal");
    }
    SECTION("its shared memory") {
        std::filesystem::remove(file.string() + "-shm");
    }
    SECTION("the directory") {
        std::filesystem::remove_all(where / "store");
    }
    SECTION("the directory, moved") {
        std::filesystem::rename(where / "store", where / "elsewhere");
    }
    SECTION("the file, replaced twice") {
        for (const char* text : {"something of a person's", "and another"}) {
            std::filesystem::remove(file);
            std::ofstream(file) << text;
            done(ledger->stay_in_place());
        }
        CHECK(read_file(file.string() + ".put-aside") == "something of a person's");
        CHECK(read_file(file.string() + ".put-aside-2") == "and another");
        std::filesystem::remove(file);
    }
    CHECK_FALSE(ledger->is_in_place());
    CHECK_FALSE(view->is_in_place());
    done(ledger->stay_in_place());
    CHECK(ledger->is_in_place());
    CHECK_THAT(ledger->notice(), Catch::Contains(file.string()) && Catch::Contains("recreated"));
    CHECK(value_of(ledger->fact("kept")) == "before");
    done(ledger->begin());
    done(ledger->set_fact("new", "after"));
    done(ledger->commit());
    {
        // As any reader finds it, with the lock in place.
        auto read = Database::open(file, Database::Access::read);
        REQUIRE(read);
        CHECK((*read)->integer("SELECT count(*) FROM fact WHERE name IN ('kept', 'new')") == 2);
        const auto second = Ledger::open(file);
        REQUIRE_FALSE(second);
        CHECK(second.error().held_by_another);
    }
    ledger.reset();
    auto again = opened(file);
    CHECK(value_of(again->fact("kept")) == "before");
    CHECK(value_of(again->fact("new")) == "after");
    CHECK(quick_check(file).soundness == Soundness::sound);
}

TEST_CASE("each removed ledger kept its disk space and its connection's memory until the daemon ended") {
    const TempDirectory where;
    const auto file = where / "ledger.db";
    auto ledger = opened(file);
    const auto removed_but_open = [&] {
        int count = 0;
        for (const auto& entry : std::filesystem::directory_iterator("/proc/self/fd")) {
            std::error_code gone;
            const std::string target = std::filesystem::read_symlink(entry.path(), gone).string();
            if (target.starts_with(file.string()) && target.ends_with(" (deleted)")) ++count;
        }
        return count;
    };
    for (int round = 0; round < 3; ++round) {
        done(ledger->begin());
        done(ledger->set_fact("round", std::to_string(round)));
        CHECK(value_of(ledger->meter_key("house")) == 1);
        done(ledger->commit());
        std::filesystem::remove(file);
        CHECK(removed_but_open() > 0);
        done(ledger->stay_in_place());
        CHECK(removed_but_open() == 0);
        CHECK(value_of(ledger->fact("round")) == std::to_string(round));
    }
}

TEST_CASE("a ledger that cannot be recreated in its place is recreated when it is tried again") {
    const TempDirectory where;
    const auto file = where / "store/ledger.db";
    std::filesystem::create_directory(where / "store");
    auto ledger = opened(file);
    done(ledger->begin());
    done(ledger->set_fact("kept", "before"));
    done(ledger->commit());
    std::filesystem::rename(where / "store", where / "elsewhere");
    // A plain file in the place of the directory.
    std::ofstream(where / "store") << "in the way";
    CHECK_FALSE(ledger->stay_in_place());
    CHECK_FALSE(ledger->is_in_place());
    CHECK(ledger->notice().empty());
    std::filesystem::remove(where / "store");
    done(ledger->stay_in_place());
    CHECK(value_of(ledger->fact("kept")) == "before");
    ledger.reset();
    CHECK(value_of(opened(file)->fact("kept")) == "before");
}
