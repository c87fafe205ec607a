// Many connections at once: the daemon's own work goes on.
#include <fmt/format.h>
#include <sys/resource.h>

#include <catch2/catch.hpp>

#include "serve/raw_client.hpp"
#include "support/mosquitto_process.hpp"
#include "system/site.hpp"

using namespace tickledger::test;
using nlohmann::json;

namespace {

/// Limits the descriptors of this process and its children during its lifetime.
class FewDescriptors {
public:
    explicit FewDescriptors(rlim_t most) {
        ::getrlimit(RLIMIT_NOFILE, &before_);
        const rlimit few{most, before_.rlim_max};
        ::setrlimit(RLIMIT_NOFILE, &few);
    }
    ~FewDescriptors() { ::setrlimit(RLIMIT_NOFILE, &before_); }
    FewDescriptors(const FewDescriptors&) = delete;
    FewDescriptors& operator=(const FewDescriptors&) = delete;

private:
    rlimit before_{};
};

}  // namespace

TEST_CASE("a hundred connections to a daemon with sixty-four descriptors do not stop the booking") {
    MosquittoProcess broker;
    Site site({.broker_url = broker.url(), .meters = pulses_of_a_garden});
    {
        const FewDescriptors few(64);
        site.start();
    }
    REQUIRE(site.becomes_subscribed());
    std::vector<std::unique_ptr<RawClient>> idle;
    for (int i = 0; i < 100; ++i) {
        try {
            idle.push_back(std::make_unique<RawClient>(site.socket()));
            idle.back()->send("GET /v1/heal");
        } catch (const std::system_error&) {
            break;  // The listen queue is full.
        }
    }
    // The publication on the broker shows what was booked.
    for (int seq = 1; seq <= 20; ++seq)
        broker.publish_lines("nodes/garden/water", {fmt::format(R"({{"pulses":1,"boot":1,"seq":{}}})", seq)});
    CHECK(wait_until(
        [&] { return broker.retained("tickledger/meters/garden/now").find("0.020") != std::string::npos; }));
    CHECK_THAT(site.journal(), !Catch::Contains("Too many open files"));
    idle.clear();
    CHECK(wait_until([&] { return site.answers(); }));
}
