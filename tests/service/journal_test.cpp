#include "service/journal.hpp"

#include <fcntl.h>
#include <unistd.h>

#include <catch2/catch.hpp>

#include "support/child_process.hpp"
#include "support/temp_directory.hpp"

using namespace tickledger;
using namespace tickledger::test;

namespace {

/// Redirects standard error to a file during its lifetime.
class Redirected {
public:
    explicit Redirected(const std::filesystem::path& file) : before_(::dup(STDERR_FILENO)) {
        const int fresh = ::open(file.c_str(), O_WRONLY | O_CREAT | O_CLOEXEC, 0600);
        ::dup2(fresh, STDERR_FILENO);
        ::close(fresh);
    }
    ~Redirected() {
        ::dup2(before_, STDERR_FILENO);
        ::close(before_);
    }
    Redirected(const Redirected&) = delete;
    Redirected& operator=(const Redirected&) = delete;

private:
    int before_;
};

}  // namespace

TEST_CASE("a topic with escape sequences and newlines added its own lines to the journal") {
    const TempDirectory directory;
    {
        const Redirected redirected(directory / "journal");
        journal_answer(Level::warning, "A message on nodes/\x1b[2J\x07/\n<0>All is well: \xe2\x80\xae");
    }
    const std::string written = read_file(directory / "journal");
    CHECK_THAT(written,
               Catch::EndsWith("A message on nodes/\\u001b[2J\\u0007/\\u000a<0>All is well: \\u202e\n"));
    CHECK(std::count(written.begin(), written.end(), '\n') == 1);
}
