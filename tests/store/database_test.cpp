#include "store/database.hpp"

#include <catch2/catch.hpp>
#include <fstream>

#include "store/ledger.hpp"
#include "store/ledger_view.hpp"
#include "support/temp_directory.hpp"

using namespace tickledger;
using tickledger::test::TempDirectory;

TEST_CASE("a sound ledger passes the quick check, a damaged one is told") {
    const TempDirectory directory;
    const auto file = directory / "ledger.db";
    {
        auto ledger = std::move(Ledger::open(file).value());
        REQUIRE(ledger->begin());
        for (int i = 0; i < 2000; ++i)
            REQUIRE(ledger->put_boot(1, {static_cast<std::uint64_t>(i) << 40}));
        REQUIRE(ledger->commit());
    }
    REQUIRE(quick_check(file));

    // The last page is a leaf of the table of boots.
    std::fstream raw(file, std::ios::in | std::ios::out | std::ios::binary);
    raw.seekp(-4096, std::ios::end);
    raw << std::string(2048, '\x7f');
    raw.close();
    const auto checked = quick_check(file);
    REQUIRE_FALSE(checked);
    CHECK_THAT(checked.error().text, Catch::Contains("ledger.db") && Catch::Contains("damaged"));
    CHECK_FALSE(quick_check(directory / "missing.db"));
}

TEST_CASE("a backup is taken beside the writer, holds what was committed, and replaces an older one") {
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
        REQUIRE(quick_check(copy));
        auto view = LedgerView::open(copy);
        REQUIRE(view);
        CHECK((*view)->fact("accepted").value() == value);
    }
    CHECK_FALSE(std::filesystem::exists(directory / "copy.db.part"));
    const auto nowhere = back_up(file, directory / "nowhere/copy.db");
    REQUIRE_FALSE(nowhere);
    CHECK_THAT(nowhere.error().text, Catch::Contains("nowhere/copy.db"));
    CHECK_FALSE(back_up(directory / "missing.db", copy));
    CHECK(LedgerView::open(copy));
}
