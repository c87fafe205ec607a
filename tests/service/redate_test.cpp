// Redating a store whose stamps are ahead of the time, as far as it needs no daemon and no broker.
#include "service/redate.hpp"

#include <catch2/catch.hpp>
#include <filesystem>
#include <fstream>
#include <string>
#include <vector>

#include "engine/opened_store.hpp"
#include "store/files.hpp"
#include "store/message_log.hpp"
#include "support/temp_directory.hpp"

using namespace tickledger;
using namespace tickledger::test;
using std::chrono::hours;

namespace {

namespace fs = std::filesystem;

const Instant noon = parse_rfc3339("2026-03-01T12:00:00Z").value();
constexpr Duration ahead = hours{72};

/// A store with a message of the true time, one that was stamped three days ahead, and the line that shows
/// it.
struct AheadStore {
    AheadStore() {
        configuration.timezone = "UTC";
        configuration.store.directory = directory.path();
        auto log = MessageLog::open(*files, directory / messages_name).value();
        const Message message{{}, "nodes/house", R"({"count":1})", 1, false, false};
        REQUIRE(log->append(message, noon - hours{1}));
        REQUIRE(log->append(message, noon + ahead));
        const Instant later = noon + hours{1};
        REQUIRE(log->append(ClockSet{{}, std::chrono::seconds{90}, later}, later + ahead));
    }
    [[nodiscard]] std::vector<std::string> names() const {
        std::vector<std::string> found;
        for (const auto& entry : fs::directory_iterator(directory.path()))
            found.push_back(entry.path().filename());
        return found;
    }

    TempDirectory directory;
    std::unique_ptr<Files> files = machine_files();
    Configuration configuration;
};

}  // namespace

TEST_CASE("a redate that was stopped before its mark had content locked the store for good") {
    const AheadStore store;
    SECTION("an earlier version left the mark empty") {
        std::ofstream(store.directory / "redating").flush();
        REQUIRE(fs::exists(store.directory / "redating"));
    }
    SECTION("the mark was half written and had no name yet") {
        std::ofstream(store.directory / "redating.part") << ".before-red";
    }
    CHECK_FALSE(redating_cut_short(store.directory.path()));
    const auto done = redate(store.configuration, {.since = {}, .writes = true});
    INFO((done ? std::string() : done.error().text));
    CHECK(done);
    CHECK(fs::exists(store.directory / messages_name / "2026-03-01.jsonl"));
    for (const std::string& name : store.names())
        CHECK_THAT(name, !Catch::Contains("redating") || Catch::StartsWith("messages.before-redating-") ||
                             Catch::StartsWith("ledger.before-redating-"));
}
