// What the daemon sends to systemd (sd_notify(3)), received on the test's own socket.
#include <poll.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include <fmt/format.h>
#include <catch2/catch.hpp>
#include <cstring>
#include <fstream>

#include "system/site.hpp"

using namespace tickledger::test;

namespace {

/// The service manager's end of the socket, during its lifetime.
class Manager {
public:
    explicit Manager(const std::filesystem::path& path) {
        sockaddr_un address{};
        address.sun_family = AF_UNIX;
        std::strncpy(static_cast<char*>(address.sun_path), path.c_str(), sizeof address.sun_path - 1);
        REQUIRE(::bind(socket_, reinterpret_cast<const sockaddr*>(&address), sizeof address) == 0);
        ::setenv("NOTIFY_SOCKET", path.c_str(), 1);
    }
    ~Manager() {
        ::unsetenv("NOTIFY_SOCKET");
        ::close(socket_);
    }
    Manager(const Manager&) = delete;
    Manager& operator=(const Manager&) = delete;

    /// The next notification; empty if none arrives within half a minute.
    [[nodiscard]] std::string next() const {
        pollfd wanted{socket_, POLLIN, 0};
        if (::poll(&wanted, 1, 30'000) != 1) return {};
        char text[4096];
        const auto count = ::recv(socket_, text, sizeof text, 0);
        return count > 0 ? std::string(text, static_cast<std::size_t>(count)) : std::string();
    }

private:
    int socket_ = ::socket(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC, 0);
};

}  // namespace

TEST_CASE("a start with a large backlog extends its timeout while it makes progress, then reports ready") {
    Site site({.meters = one_meter});
    std::filesystem::create_directories(site.store() / "messages");
    {
        std::ofstream log(site.store() / "messages/2026-03-01.jsonl");
        for (int n = 0; n < 60'000; ++n) {
            log << fmt::format(
                       R"({{"tst":"2026-03-01T{:02}:{:02}:{:02}.000000Z","topic":"nodes/house","qos":1,"retain":0,"payload":"{{\"count\":{}}}"}})",
                       n / 3600, n / 60 % 60, n % 60, n / 100)
                << "\n";
        }
    }
    const Manager manager(site.directory() / "notify");
    site.launch();
    int extensions = 0;
    bool is_ready = false;
    while (!is_ready) {
        const std::string told = manager.next();
        REQUIRE_FALSE(told.empty());
        if (told.find("EXTEND_TIMEOUT_USEC=") != std::string::npos) ++extensions;
        is_ready = told.find("READY=1") != std::string::npos;
    }
    // One after each step: six batches of 10 000 events, and one step that finds nothing more to read.
    INFO(extensions);
    CHECK(extensions >= 7);
    CHECK(site.stop() == 0);
}
