#include "store/files.hpp"

#include <catch2/catch.hpp>
#include <filesystem>
#include <fstream>

#include "support/sim_files.hpp"
#include "support/temp_directory.hpp"

using namespace tickledger;
using namespace tickledger::test;
using Catch::Contains;

namespace {

/// What both the machine's files and the simulated ones must do.
void check_files(Files& files, const std::filesystem::path& directory) {
    REQUIRE(files.make_directory(directory));
    REQUIRE(files.make_directory(directory));
    CHECK(files.list(directory).value().empty());

    auto second = files.open_append(directory / "b");
    auto first = files.open_append(directory / "a");
    REQUIRE(first);
    REQUIRE(second);
    CHECK(files.list(directory).value() == std::vector<std::string>{"a", "b"});

    REQUIRE((*first)->append("one"));
    REQUIRE((*first)->append(" two"));
    REQUIRE((*first)->sync());
    CHECK(files.size_bytes(directory / "a").value() == 7);
    CHECK(files.read(directory / "a", 0, 100).value() == "one two");
    CHECK(files.read(directory / "a", 4, 2).value() == "tw");
    CHECK(files.read(directory / "a", 7, 2).value().empty());
    CHECK(files.read(directory / "a", 99, 2).value().empty());

    REQUIRE((*first)->truncate(3));
    REQUIRE((*first)->append("!"));
    CHECK(files.read(directory / "a", 0, 100).value() == "one!");

    auto reopened = files.open_append(directory / "a");
    REQUIRE(reopened);
    REQUIRE((*reopened)->append("?"));
    CHECK(files.read(directory / "a", 0, 100).value() == "one!?");

    REQUIRE(files.remove(directory / "a"));
    CHECK(files.list(directory).value() == std::vector<std::string>{"b"});
    CHECK_FALSE(files.remove(directory / "a"));
    CHECK_FALSE(files.read(directory / "a", 0, 1));
    CHECK_THAT(files.size_bytes(directory / "a").error().text,
               Contains((directory / "a").string()) && Contains("No such file"));
}

}  // namespace

TEST_CASE("the machine's files do what the interface promises") {
    const TempDirectory place;
    check_files(*machine_files(), place.path() / "deep" / "messages");
}

TEST_CASE("the simulated files do the same") {
    SimFiles files;
    check_files(files, "/messages");
}

TEST_CASE("errors name the path, the reason and what to do") {
    const auto files = machine_files();
    // A device that is always full: Linux, full(4).
    auto full = files->open_append("/dev/full");
    REQUIRE(full);
    CHECK_THAT((*full)->append("x").error().text,
               Contains("/dev/full") && Contains("No space left") && Contains("Free some space"));
    const TempDirectory place;
    std::ofstream(place.path() / "file") << "x";
    CHECK_THAT(files->make_directory(place.path() / "file" / "messages").error().text,
               Contains("Not a directory"));
    CHECK_FALSE(files->list(place.path() / "nowhere"));
    CHECK_FALSE(files->open_append(place.path() / "nowhere" / "file"));
}

TEST_CASE("a power cut takes at most what was not synced") {
    for (const auto how : {PowerCut::forgets_all, PowerCut::tears}) {
        for (std::uint64_t seed = 0; seed < 50; ++seed) {
            SimFiles files(seed);
            auto file = files.open_append("/f");
            REQUIRE(file);
            REQUIRE((*file)->append("kept"));
            REQUIRE((*file)->sync());
            REQUIRE((*file)->append("perhaps"));
            files.cut_power(how);
            const std::string left = files.content("/f");
            CHECK(std::string("keptperhaps").starts_with(left));
            CHECK(left.starts_with("kept"));
            if (how == PowerCut::forgets_all) CHECK(left == "kept");
            CHECK_FALSE((*file)->append("x"));
            CHECK_FALSE((*file)->sync());
        }
    }
}

TEST_CASE("a full disk takes what fits, and syncs and truncations fail as often as requested") {
    SimFiles files;
    auto file = files.open_append("/f");
    REQUIRE(file);
    files.set_free_bytes(3);
    CHECK_FALSE((*file)->append("abcde"));
    CHECK(files.content("/f") == "abc");
    files.set_free_without_end();
    files.fail_syncs(1);
    CHECK_FALSE((*file)->sync());
    CHECK(files.synced_content("/f").empty());
    CHECK((*file)->sync());
    CHECK(files.synced_content("/f") == "abc");
    files.fail_truncates(1);
    CHECK_FALSE((*file)->truncate(0));
    CHECK((*file)->truncate(0));
    CHECK(files.content("/f").empty());
}

TEST_CASE("a second file that took an open file's place replaced the first one that was put aside") {
    const TempDirectory place;
    const auto name = place.path() / "log";
    auto log = machine_files()->open_append(name);
    REQUIRE(log);
    for (const char* text : {"something of a person's", "and another"}) {
        std::filesystem::remove(name);
        place.write("log", text);
        REQUIRE((*log)->stay_in_place());
    }
    CHECK(std::filesystem::file_size(name.string() + ".put-aside") == 23);
    CHECK(std::filesystem::file_size(name.string() + ".put-aside-2") == 11);
}
