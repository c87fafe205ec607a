// The current flow that is published.
#include "ledger_world.hpp"

using namespace tickledger;
using namespace tickledger::test;

TEST_CASE("two counts within microseconds were published as 211 764 706 L/h") {
    LedgerWorld world;
    world.hear(at_min(600), R"({"count":100})");
    world.hear(at_min(600) + Duration{17}, R"({"count":101})");
    const auto now = world.published("meters/house/now");
    REQUIRE_FALSE(now.empty());
    CHECK(now.back()["flow_l_per_h"].is_null());
    CHECK(now.back()["today_l"] == 1.0);
    // The next span is long enough to give a flow.
    world.hear(at_min(603), R"({"count":104})");
    CHECK(world.published("meters/house/now").back()["flow_l_per_h"].get<double>() ==
          Approx(60).epsilon(0.01));
}
