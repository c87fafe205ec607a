// A replay whose recordings cannot be read.
#include "service/replay.hpp"

#include <fcntl.h>
#include <unistd.h>

#include <catch2/catch.hpp>
#include <cstdio>
#include <iostream>
#include <string>

#include "support/temp_directory.hpp"

using namespace tickledger;
using namespace tickledger::test;

namespace {

// The kernel answers a read of its beginning with EIO (Linux, proc(5): nothing is mapped there).
constexpr const char* unreadable_file = "/proc/self/mem";

/// While it lives, the standard input is a file that cannot be read.
class UnreadableInput {
public:
    UnreadableInput() {
        const int file = ::open(unreadable_file, O_RDONLY | O_CLOEXEC);
        REQUIRE(file >= 0);
        ::dup2(file, STDIN_FILENO);
        ::close(file);
    }
    ~UnreadableInput() {
        ::dup2(before_, STDIN_FILENO);
        ::close(before_);
        std::clearerr(stdin);
        std::cin.clear();
    }
    UnreadableInput(const UnreadableInput&) = delete;
    UnreadableInput& operator=(const UnreadableInput&) = delete;

private:
    int before_ = ::dup(STDIN_FILENO);
};

}  // namespace

TEST_CASE("a replay took the failure to read a recording for its end") {
    const TempDirectory directory;
    Configuration configuration;
    configuration.timezone = "UTC";
    ReplayRequest request;
    request.into = (directory / "ledger.db").string();
    const UnreadableInput input;
    request.recordings = {GENERATE(as<std::string>(), "-", unreadable_file)};
    const auto done = replay(configuration, request);
    REQUIRE_FALSE(done);
    CHECK(done.error().exit_status == exit_status::refused);
    CHECK_THAT(done.error().text,
               Catch::StartsWith(request.recordings[0] + ": ") && Catch::Contains("beyond line 0"));
}
