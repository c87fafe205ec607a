// Late messages divide past entries and never change their sum.
#include "tickledger/late.hpp"
#include "booking_fixture.hpp"

using namespace tickledger;
using namespace tickledger::test;
using Fit = LateBooking::Fit;

namespace {

const CounterRules rules(counter_meter());

Entry measured(int from_min, int to_min, std::uint64_t begin, std::uint64_t end, std::uint64_t boot = 0) {
    return {.span = {after(minutes(from_min)), after(minutes(to_min))},
            .ticks = static_cast<std::int64_t>(end - begin),
            .kind = EntryKind::measured,
            .begin_count = begin,
            .end = {end, boot, 0}};
}

}  // namespace

TEST_CASE("a late count between the ends divides the span there") {
    const Entry entry = measured(0, 9, 100, 110);
    const LateBooking late = divide(entry, {100, 0, 0}, {.count = 104}, after(minutes(5)), rules);
    REQUIRE(late.fit == Fit::divides);
    REQUIRE(late.parts().size() == 2);
    CHECK(late.parts()[0].span == Span{after(minutes(0)), after(minutes(5))});
    CHECK(late.parts()[0].ticks == 4);
    CHECK(late.parts()[1].span == Span{after(minutes(5)), after(minutes(9))});
    CHECK(late.parts()[1].ticks == 6);
    CHECK(late.parts()[1].begin_count == 104);
}

TEST_CASE("a late count outside the ends is refused") {
    const Entry entry = measured(0, 9, 100, 110);
    CHECK(divide(entry, {100, 0, 0}, {.count = 99}, after(minutes(5)), rules).fit == Fit::contradicts);
    CHECK(divide(entry, {100, 0, 0}, {.count = 111}, after(minutes(5)), rules).fit == Fit::contradicts);
}

TEST_CASE("a late count divides an entry if their boots are equal or one of them has no boot") {
    const auto fit = [](std::optional<std::uint64_t> late_boot, std::uint64_t entry_boot) {
        const Entry entry = measured(0, 9, 100, 110, entry_boot);
        return divide(entry, {100, entry_boot, 0}, {.count = 104, .boot = late_boot}, after(minutes(5)),
                      rules)
            .fit;
    };
    CHECK(fit(5, 0) == Fit::divides);
    CHECK(fit(std::nullopt, 5) == Fit::divides);
    CHECK(fit(5, 5) == Fit::divides);
    CHECK(fit(6, 5) == Fit::contradicts);
}

TEST_CASE("the reading that ends an entry is known, however often it arrives") {
    const Entry entry = measured(0, 9, 100, 110);
    CHECK(divide(entry, {100, 0, 0}, {.count = 110}, after(minutes(9)), rules).fit == Fit::known);
    CHECK(divide(entry, {100, 0, 0}, {.count = 108}, after(minutes(9)), rules).fit == Fit::contradicts);
}

TEST_CASE("a held count that was early does not divide an entry if its advance was impossible") {
    const Entry entry = measured(0, 3, 100, 260);
    CHECK(divide(entry, {100, 0, 0}, {.count = 200}, after(minutes(1)), rules).fit == Fit::known);
}

TEST_CASE("a late message of the old boot shows that nothing ran until then") {
    Entry restart = measured(0, 9, 5000, 5012, 2);
    restart.kind = EntryKind::restart;
    restart.unseen_max = 505;
    const LateBooking late =
        divide(restart, {5040, 1, 7}, {.count = 5040, .boot = 1}, after(minutes(3)), rules);
    REQUIRE(late.fit == Fit::divides);
    CHECK(late.parts()[0].kind == EntryKind::measured);
    CHECK(late.parts()[0].ticks == 0);
    CHECK(late.parts()[0].end == Mark{5040, 1, 0});
    CHECK(late.parts()[1].kind == EntryKind::restart);
    CHECK(late.parts()[1].ticks == 12);
    CHECK(late.parts()[1].begin_count == 5000);
    CHECK(late.parts()[1].unseen_max == 345 - 12);
    CHECK(divide(restart, {5040, 1, 7}, {.count = 5050, .boot = 1}, after(minutes(3)), rules).fit ==
          Fit::contradicts);
}

TEST_CASE("a late message of the new boot divides a restart, and all ticks after it were seen") {
    Entry restart = measured(0, 9, 5000, 5012, 2);
    restart.kind = EntryKind::restart;
    const LateBooking late =
        divide(restart, {5040, 1, 7}, {.count = 5003, .boot = 2}, after(minutes(6)), rules);
    REQUIRE(late.fit == Fit::divides);
    CHECK(late.parts()[0].kind == EntryKind::restart);
    CHECK(late.parts()[0].ticks == 3);
    CHECK(late.parts()[1].kind == EntryKind::measured);
    CHECK(late.parts()[1].ticks == 9);
    CHECK_FALSE(late.parts()[1].unseen_max);
}

TEST_CASE("a late message narrows down when a count was preset") {
    Entry preset = measured(0, 9, 100, 90'000);
    preset.kind = EntryKind::preset;
    preset.ticks = 0;
    const LateBooking before = divide(preset, {100, 0, 0}, {.count = 100}, after(minutes(3)), rules);
    REQUIRE(before.fit == Fit::divides);
    CHECK(before.parts()[0].kind == EntryKind::measured);
    CHECK(before.parts()[1].kind == EntryKind::preset);
    const LateBooking after_it = divide(preset, {100, 0, 0}, {.count = 90'000}, after(minutes(3)), rules);
    REQUIRE(after_it.fit == Fit::divides);
    CHECK(after_it.parts()[0].kind == EntryKind::preset);
    CHECK(after_it.parts()[1].kind == EntryKind::measured);
    CHECK(divide(preset, {100, 0, 0}, {.count = 50'000}, after(minutes(3)), rules).fit == Fit::contradicts);
}

TEST_CASE("a late reading divides an entry of water that ran back") {
    Entry back = measured(0, 9, 100, 97);
    back.kind = EntryKind::reverse;
    const LateBooking late = divide(back, {100, 0, 0}, {.count = 99}, after(minutes(5)), rules);
    REQUIRE(late.parts().size() == 2);
    CHECK(late.parts()[0].ticks == -1);
    CHECK(late.parts()[1].ticks == -2);
    CHECK(late.parts()[1].kind == EntryKind::reverse);
    CHECK(late.parts()[1].begin_count == 99);
}
