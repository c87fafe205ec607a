// A process that dies: its Will, and the message that it was about to keep.
#include <signal.h>

#include <catch2/catch.hpp>

#include "recorder.hpp"
#include "support/child_process.hpp"

using namespace tickledger;
using namespace tickledger::test;

namespace {

class LinkChild {
public:
    LinkChild(const MosquittoProcess& broker, bool hangs)
        : process_(
              [&] {
                  std::vector<std::string> arguments{TICKLEDGER_LINK_CHILD, broker.url(), "nodes/#",
                                                     (directory_ / "events").string()};
                  if (hangs) arguments.emplace_back("hang");
                  return arguments;
              }(),
              {}) {}

    [[nodiscard]] bool wait_for(const std::string& line) const {
        return wait_until(
            [&] { return read_file(directory_ / "events").find(line + "\n") != std::string::npos; });
    }
    void kill() {
        process_.signal(SIGKILL);
        REQUIRE(process_.wait() == 128 + SIGKILL);
    }

private:
    TempDirectory directory_;
    ChildProcess process_;
};

}  // namespace

TEST_CASE("the Will publishes down when the process dies without disconnecting") {
    const MosquittoProcess broker;
    LinkChild child(broker, false);
    REQUIRE(child.wait_for("up"));
    REQUIRE(wait_until([&] { return broker.retained("tickledger/status") == R"({"state":"up"})"; }));
    const Watcher watcher(broker, "tickledger/status");
    child.kill();
    CHECK(wait_until([&] { return watcher.count(R"(tickledger/status {"state":"down"})") == 1; }));
    CHECK(broker.retained("tickledger/status") == R"({"state":"down"})");
}

TEST_CASE("a message is delivered again if the process was killed before keeping it") {
    const MosquittoProcess broker;
    LinkChild child(broker, true);
    REQUIRE(child.wait_for("up"));
    broker.publish_lines("nodes/a", numbers(1, 5));
    REQUIRE(child.wait_for("message 1"));
    child.kill();
    Recorder recorder;
    const auto link = start_link(settings_for(broker), recorder);
    REQUIRE(wait_until([&] { return recorder.payloads().size() == 5; }));
    CHECK(recorder.events()[0] == "up present");
    CHECK(recorder.messages()[0].payload == "1");
    CHECK(recorder.messages()[0].redelivered);
    link->stop(stop_wait);
}
