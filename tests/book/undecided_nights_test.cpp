// Consecutive undecided nights are one row.
#include "book/undecided_nights.hpp"

#include <algorithm>

#include "ledger_world.hpp"

using namespace tickledger;
using namespace tickledger::test;
using std::chrono::hours;

namespace {

/// The night that ends on this day of March, by the default times.
Span night(int day, const AlarmSettings& alarms) {
    const Instant midnight = at_min(0) + hours{24 * (day - 1)};
    return {midnight + alarms.night_from, midnight + alarms.night_to};
}

}  // namespace

TEST_CASE("consecutive undecided nights are one row, in whatever order they are marked, and divide again") {
    LedgerWorld world;
    world.hear_count(at_min(600), 100);
    const AlarmSettings& alarms = world.meters.front().alarms;
    MeterRules rules(world.meters.front(), world.zone);
    const Account account(world.key("house"), "house", rules);
    UndecidedNights nights(world.zone, *world.ledger);
    const auto rows = [&] {
        std::vector<Span> spans;
        for (const Undecided& row : world.undecided())
            spans.push_back(row.window);
        std::sort(spans.begin(), spans.end());
        return spans;
    };
    const auto change = [&](auto what) {
        must(world.ledger->begin());
        what();
        must(world.ledger->commit());
    };
    change([&] {
        nights.mark(account, night(6, alarms));
        nights.mark(account, night(8, alarms));
    });
    CHECK(rows() == std::vector{night(6, alarms), night(8, alarms)});
    change([&] { nights.mark(account, night(5, alarms)); });
    CHECK(rows() == std::vector{Span{night(5, alarms).from, night(6, alarms).to}, night(8, alarms)});
    change([&] { nights.mark(account, night(7, alarms)); });
    CHECK(rows() == std::vector{Span{night(5, alarms).from, night(8, alarms).to}});
    change([&] { nights.settle(account, night(6, alarms)); });
    CHECK(rows() == std::vector{night(5, alarms), Span{night(7, alarms).from, night(8, alarms).to}});
}
