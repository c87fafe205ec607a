// The bytes that a message writes to the disk. They wear out a memory card.
#include <fmt/format.h>
#include <unistd.h>

#include <catch2/catch.hpp>
#include <fstream>

#include "support/mosquitto_process.hpp"
#include "system/site.hpp"

using namespace tickledger::test;

namespace {

constexpr int messages = 10'000;
// Measured: 144. The log's line is 115 to 128 bytes, and the entry takes 8 bytes of its group. The rest is
// the batch's own pages. The limit is 5 % above that.
constexpr double bytes_a_message_max = 151;

constexpr const char* quick_meter = R"(
[[meter]]
id = "house"
topic = "nodes/house/water"
q3 = "1000000 m3/h"
)";

/// The bytes that the kernel has charged to the process.
double written_bytes(pid_t process) {
    std::ifstream io("/proc/" + std::to_string(process) + "/io");
    for (std::string name; io >> name;) {
        double bytes = 0;
        io >> bytes;
        if (name == "write_bytes:") return bytes;
    }
    throw std::runtime_error("the kernel does not report write_bytes");
}

std::string word(int number) {
    return fmt::format(R"({{"count":{0},"boot":7,"seq":{0}}})", number);
}

/// The bytes of a message that comes alone. All dirty pages are written before the next, as after minutes.
double bytes_alone(const std::string& store) {
    MosquittoProcess broker;
    Site site({.broker_url = broker.url(), .meters = quick_meter, .store = store});
    site.start();
    REQUIRE(site.becomes_subscribed());
    constexpr int not_measured = 3;
    constexpr int last = not_measured + 12;
    double before = 0;
    for (int number = 1; number <= last; ++number) {
        if (number == not_measured + 1) before = written_bytes(site.daemon().pid());
        broker.publish("nodes/house/water", word(number));
        REQUIRE(wait_until([&] { return site.get("/v1/health").at("messages").at("booked") == number; }));
        REQUIRE(wait_until([&] { return site.get("/v1/health").at("broker").at("waiting") == 0; }));
        ::sync();
    }
    return (written_bytes(site.daemon().pid()) - before) / (last - not_measured);
}

}  // namespace

TEST_CASE("a message in a large batch costs few bytes on the disk") {
    MosquittoProcess broker;
    // All messages are booked in one batch, however fast the machine is: the request at the end books them.
    Site site({.broker_url = broker.url(),
               .meters = quick_meter,
               .store = "commit_every = \"10min\"\nsync_every = \"10min\"\n"});
    site.start();
    REQUIRE(site.becomes_subscribed());
    broker.publish("nodes/house/water", word(1));
    REQUIRE(wait_until([&] { return site.get("/v1/health").at("messages").at("accepted") == 1; }));
    REQUIRE(site.get("/v1/meters").at("meters").size() == 1);
    const double before = written_bytes(site.daemon().pid());

    std::vector<std::string> words;
    for (int number = 2; number < messages + 2; ++number)
        words.push_back(word(number));
    broker.publish_lines("nodes/house/water", words);
    REQUIRE(wait_until([&] { return site.get("/v1/health").at("messages").at("accepted") == messages + 1; }));
    // A request has all accepted messages booked first.
    (void)site.get("/v1/meters");
    CHECK(site.get("/v1/health").at("messages").at("booked") == messages + 1);

    const double each = (written_bytes(site.daemon().pid()) - before) / messages;
    INFO(each << " bytes a message");
    CHECK(each <= bytes_a_message_max);
    // On a file system that writes nothing (a tmpfs) the test would prove nothing.
    CHECK(each >= 100);
}

TEST_CASE("a ledger that keeps its index in memory writes fewer bytes for a single message") {
    const double in_file = bytes_alone("");
    const double in_memory = bytes_alone("ledger_index = \"memory\"\n");
    INFO(in_file << " and " << in_memory << " bytes a message");
    CHECK(in_memory <= 0.8 * in_file);
    CHECK(in_memory >= 4096);
}
