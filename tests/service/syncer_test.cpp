// The thread that forces the message log to the disk.
#include "service/syncer.hpp"

#include <catch2/catch.hpp>

#include "support/sim_files.hpp"
#include "support/wait_until.hpp"

using namespace tickledger;
using namespace tickledger::test;

TEST_CASE("a message that could not be forced to the disk is forced there later without another message") {
    SimFiles files;
    const auto log = MessageLog::open(files, "/messages").value();
    LogSync sync(*log, std::chrono::milliseconds{1}, [](Level, const std::string&) {});
    Syncer syncer(sync);
    files.fail_syncs(1);
    REQUIRE(log->append(Message{{}, "nodes/house", "{}", 1, false, false},
                        std::chrono::sys_days{std::chrono::year{2026} / 3 / 1}));
    REQUIRE(syncer.appended());
    const std::string file = "/messages/" + files.list("/messages").value().at(0);
    CHECK(wait_until([&] { return files.synced_content(file) == files.content(file); }));
}
