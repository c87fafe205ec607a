#include "tickledger/stillness.hpp"

#include <rapidcheck/catch.h>

#include <algorithm>
#include <array>
#include <catch2/catch.hpp>
#include <random>
#include <vector>

using namespace tickledger;
using namespace std::chrono_literals;

namespace {

/// A night of four hours. It is still if half an hour of it has no ticks.
const Instant one_o_clock = instant_of(1'772'326'800'000'000);
const Span night{one_o_clock, one_o_clock + 4h};
constexpr Duration still_for = 30min;

Entry entry_of(int from_minute, int to_minute, std::int64_t ticks, EntryKind kind = EntryKind::measured,
               bool estimated = false) {
    Entry entry;
    entry.span = {one_o_clock + from_minute * 1min, one_o_clock + to_minute * 1min};
    entry.ticks = ticks;
    entry.kind = kind;
    entry.time_estimated = estimated;
    return entry;
}

/// Spans of three minutes with one tick each.
void add_flow(std::vector<Entry>& entries, int from_minute, int to_minute) {
    for (int minute = from_minute; minute < to_minute; minute += 3) {
        entries.push_back(entry_of(minute, std::min(minute + 3, to_minute), 1));
    }
}

Stillness follow(const std::vector<Entry>& entries) {
    Stillness stillness{night, still_for};
    for (const Entry& entry : entries)
        stillness.add(entry);
    return stillness;
}

Verdict verdict_on(const std::vector<Entry>& entries) {
    return follow(entries).verdict();
}

/// The verdict on a night with flow, except for `middle` between `from_minute` and `to_minute`.
Verdict verdict_with(int from_minute, int to_minute, const std::vector<Entry>& middle) {
    std::vector<Entry> entries;
    add_flow(entries, 0, from_minute);
    entries.insert(entries.end(), middle.begin(), middle.end());
    add_flow(entries, to_minute, 240);
    return verdict_on(entries);
}

/// The oracle: what the entries show about every minute of the night, and about the borders of the minutes.
struct Minutes {
    enum class Says : std::uint8_t { maybe, still, flow };
    std::array<Says, 240> within{};
    std::array<bool, 241> tick_at{};

    [[nodiscard]] int longest(bool for_certain) const {
        int longest = 0;
        for (int from = 0; from < 240; ++from) {
            for (int to = from; to < 240; ++to) {
                const Says says = within[static_cast<std::size_t>(to)];
                const bool broken = to > from && tick_at[static_cast<std::size_t>(to)];
                if (broken || says == Says::flow || (for_certain && says != Says::still)) break;
                longest = std::max(longest, to - from + 1);
            }
        }
        return longest;
    }

    [[nodiscard]] Verdict verdict() const {
        if (longest(true) >= 30) return Verdict::still;
        return longest(false) >= 30 ? Verdict::undecided : Verdict::flow;
    }
};

Minutes picture_of(const std::vector<Entry>& entries) {
    Minutes minutes;
    for (const Entry& entry : entries) {
        if (entry.kind != EntryKind::measured && entry.kind != EntryKind::restart) continue;
        if (entry.time_estimated) continue;
        const int from = static_cast<int>((entry.span.from - one_o_clock) / 1min);
        const int to = static_cast<int>((entry.span.to - one_o_clock) / 1min);
        if (from == to && entry.ticks > 0 && to > 0 && to <= 240)
            minutes.tick_at[static_cast<std::size_t>(to)] = true;
        for (int minute = std::max(from, 0); minute < std::min(to, 240); ++minute) {
            auto& says = minutes.within[static_cast<std::size_t>(minute)];
            if (entry.ticks > 0)
                says = to - from <= 30 ? Minutes::Says::flow : Minutes::Says::maybe;
            else if (entry.kind == EntryKind::measured)
                says = Minutes::Says::still;
        }
    }
    return minutes;
}

std::vector<Entry> any_entries() {
    std::vector<Entry> entries;
    int minute = *rc::gen::inRange(-60, 30);
    while (minute < 250) {
        const int length = *rc::gen::oneOf(rc::gen::inRange(0, 12), rc::gen::inRange(20, 45));
        const auto kind = *rc::gen::weightedElement<EntryKind>({{12, EntryKind::measured},
                                                                {2, EntryKind::restart},
                                                                {1, EntryKind::preset},
                                                                {1, EntryKind::lost}});
        const auto ticks = *rc::gen::element<std::int64_t>(0, 0, 1, 40);
        const bool estimated = *rc::gen::weightedElement<bool>({{9, false}, {1, true}});
        entries.push_back(
            entry_of(minute, minute + length, kind == EntryKind::preset ? 0 : ticks, kind, estimated));
        minute += length + *rc::gen::weightedElement<int>({{12, 0}, {1, 5}, {1, 25}});
    }
    return entries;
}

}  // namespace

TEST_CASE("the verdict is the same as that of an oracle that examines every minute") {
    rc::prop("for any entries in order of time", [] {
        const std::vector<Entry> entries = any_entries();
        const Stillness stillness = follow(entries);
        const Minutes minutes = picture_of(entries);
        RC_ASSERT(stillness.verdict() == minutes.verdict());
        RC_ASSERT(stillness.longest_still().length() == minutes.longest(true) * 1min);
    });
    rc::prop("saving and loading the state between two entries changes nothing", [] {
        const std::vector<Entry> entries = any_entries();
        Stillness saved{night, still_for};
        for (const Entry& entry : entries) {
            std::vector<std::int64_t> kept;
            saved.fields([&](const char*, auto& field) {
                if constexpr (requires { field.time_since_epoch(); }) {
                    kept.push_back(microseconds_of(field));
                } else {
                    kept.push_back(field.count());
                }
            });
            saved = Stillness{};
            std::size_t next = 0;
            saved.fields([&](const char*, auto& field) {
                field = std::remove_reference_t<decltype(field)>{Duration{kept[next++]}};
            });
            saved.add(entry);
        }
        const Stillness straight = follow(entries);
        RC_ASSERT(saved.verdict() == straight.verdict());
        RC_ASSERT(saved.longest_still() == straight.longest_still());
    });
}

TEST_CASE("a night with the verdict still was still") {
    rc::prop("compared with the true ticks, seen in spans of any length", [] {
        const auto seed = *rc::gen::arbitrary<std::uint32_t>();
        std::minstd_rand random{seed};
        const auto below = [&](int bound) {
            return std::uniform_int_distribution<int>{0, bound - 1}(random);
        };
        // Ticks in bursts from before the night until after it.
        std::vector<int> tick_seconds;
        for (int second = -3600; second < 18'000; second += 1 + (below(4) == 0 ? below(2400) : below(300))) {
            tick_seconds.push_back(second);
        }
        std::vector<Entry> entries;
        for (int from = -1800; from < 16'000;) {
            const int to = from + 1 + below(600);
            const auto ticks = std::count_if(tick_seconds.begin(), tick_seconds.end(),
                                             [&](int second) { return from < second && second <= to; });
            Entry& entry = entries.emplace_back();
            entry.span = {one_o_clock + from * 1s, one_o_clock + to * 1s};
            entry.ticks = ticks;
            from = to;
        }
        int longest_s = 0;
        int since = 0;
        for (const int second : tick_seconds) {
            if (second <= 0 || second > 14'400) continue;
            longest_s = std::max(longest_s, second - since);
            since = second;
        }
        longest_s = std::max(longest_s, 14'400 - since);
        const Verdict verdict = verdict_on(entries);
        if (verdict == Verdict::still) RC_ASSERT(longest_s >= 1800);
        // The spans are at most ten minutes, so a stillness that is longer by two spans cannot be missed.
        if (longest_s >= 1800 + 1200) RC_ASSERT(verdict == Verdict::still);
        RC_ASSERT(verdict != Verdict::undecided);
    });
}

TEST_CASE("a night with ticks throughout is flow") {
    std::vector<Entry> entries;
    add_flow(entries, -3, 243);
    CHECK(verdict_on(entries) == Verdict::flow);
}

TEST_CASE("half an hour without a tick is still, a minute less is not") {
    CHECK(verdict_with(60, 90, {entry_of(60, 75, 0), entry_of(75, 90, 0)}) == Verdict::still);
    CHECK(verdict_with(60, 89, {entry_of(60, 75, 0), entry_of(75, 89, 0)}) == Verdict::flow);
    CHECK(verdict_with(60, 120,
                       {entry_of(60, 80, 0), entry_of(80, 83, 1), entry_of(83, 112, 0),
                        entry_of(112, 120, 1)}) == Verdict::flow);
}

TEST_CASE("only time within the window counts") {
    std::vector<Entry> before{entry_of(-60, 20, 0)};
    add_flow(before, 20, 240);
    CHECK(verdict_on(before) == Verdict::flow);
    std::vector<Entry> after;
    add_flow(after, 0, 220);
    after.push_back(entry_of(220, 300, 0));
    CHECK(verdict_on(after) == Verdict::flow);
    std::vector<Entry> enough{entry_of(-60, 30, 0)};
    add_flow(enough, 30, 240);
    CHECK(verdict_on(enough) == Verdict::still);
    CHECK(follow(enough).longest_still() == Span{one_o_clock, one_o_clock + 30min});
}

TEST_CASE("missing data leaves the verdict open if it could have contained the stillness") {
    CHECK(verdict_on({}) == Verdict::undecided);
    CHECK(verdict_with(60, 90, {}) == Verdict::undecided);
    CHECK(verdict_with(60, 84, {}) == Verdict::flow);
    // Too short alone, but long enough with the still spans beside it.
    CHECK(verdict_with(60, 90, {entry_of(60, 66, 0), entry_of(84, 90, 0)}) == Verdict::undecided);
    CHECK(verdict_with(60, 90, {entry_of(60, 66, 0), entry_of(84, 87, 0), entry_of(87, 90, 1)}) ==
          Verdict::flow);
    // A preset or a gap covers nothing.
    CHECK(verdict_with(60, 90, {entry_of(60, 90, 0, EntryKind::preset)}) == Verdict::undecided);
    CHECK(verdict_with(60, 90, {entry_of(60, 90, 0, EntryKind::lost)}) == Verdict::undecided);
    // The night's end is missing.
    std::vector<Entry> entries;
    add_flow(entries, 0, 204);
    CHECK(verdict_on(entries) == Verdict::undecided);
    add_flow(entries, 204, 213);
    CHECK(verdict_on(entries) == Verdict::flow);
}

TEST_CASE("a span with ticks that is longer than the stillness leaves the verdict open") {
    CHECK(verdict_with(60, 91, {entry_of(60, 91, 5)}) == Verdict::undecided);
    CHECK(verdict_with(60, 90, {entry_of(60, 90, 5)}) == Verdict::flow);
    // The span began before the night. If all its ticks came before the night, the still span beside it is
    // long enough.
    std::vector<Entry> entries{entry_of(-30, 10, 2), entry_of(10, 35, 0)};
    add_flow(entries, 35, 240);
    CHECK(verdict_on(entries) == Verdict::undecided);
}

TEST_CASE("restarts and spans with estimated times prove no stillness") {
    CHECK(verdict_with(60, 90, {entry_of(60, 90, 0, EntryKind::restart)}) == Verdict::undecided);
    CHECK(verdict_with(60, 90, {entry_of(60, 90, 0, EntryKind::measured, true)}) == Verdict::undecided);
    CHECK(verdict_with(60, 90,
                       {entry_of(60, 80, 0), entry_of(80, 81, 0, EntryKind::restart), entry_of(81, 90, 0)}) ==
          Verdict::undecided);
    CHECK(verdict_with(60, 90,
                       {entry_of(60, 80, 0), entry_of(80, 81, 3, EntryKind::restart), entry_of(81, 90, 0)}) ==
          Verdict::flow);
}

TEST_CASE("spans with estimated times and spans in which the register ran back prove no flow") {
    CHECK(verdict_with(60, 90, {entry_of(60, 70, 3), entry_of(70, 90, 2, EntryKind::measured, true)}) ==
          Verdict::flow);
    CHECK(verdict_with(60, 90,
                       {entry_of(60, 75, 3, EntryKind::measured, true),
                        entry_of(75, 90, 2, EntryKind::measured, true)}) == Verdict::undecided);
    CHECK(verdict_with(60, 90, {entry_of(60, 75, 0), entry_of(75, 90, -2, EntryKind::reverse)}) ==
          Verdict::undecided);
}

TEST_CASE("ticks of no length break a stillness, adjustments do not") {
    CHECK(verdict_with(60, 100, {entry_of(60, 80, 0), entry_of(80, 80, 1), entry_of(80, 100, 0)}) ==
          Verdict::flow);
    CHECK(verdict_with(60, 100,
                       {entry_of(60, 80, 0), entry_of(70, 75, 9, EntryKind::adjustment),
                        entry_of(80, 100, 0)}) == Verdict::still);
}

TEST_CASE("a window without an end settles at the first long enough stillness") {
    Stillness stillness{{one_o_clock, Instant::max()}, still_for};
    CHECK(stillness.verdict() == Verdict::undecided);
    stillness.add(entry_of(0, 3, 1));
    stillness.add(entry_of(3, 32, 0));
    CHECK(stillness.verdict() == Verdict::undecided);
    stillness.add(entry_of(32, 33, 0));
    CHECK(stillness.verdict() == Verdict::still);
    CHECK(stillness.longest_still().length() == 30min);
}

namespace {

/// A leak that ticks every `period` from `first_tick` on, with delayed readings every `cadence`.
std::vector<Entry> leak_entries(Duration period, Duration first_tick, Duration cadence,
                                const std::vector<Duration>& delays) {
    std::vector<Entry> entries;
    const auto ticks_until = [&](Instant t) {
        return t < night.from + first_tick ? 0 : (t - night.from - first_tick) / period + 1;
    };
    Instant from = night.from;
    Instant counted_at = night.from;
    for (std::size_t i = 0; from < night.to; ++i) {
        // The node counts at its cadence, and the reading is booked when it arrives.
        counted_at += cadence;
        const Instant to = counted_at + delays[i % delays.size()];
        const auto ticks = ticks_until(counted_at) - ticks_until(counted_at - cadence);
        Entry& entry = entries.emplace_back();
        entry.span = {from, to};
        entry.ticks = ticks;
        from = to;
    }
    return entries;
}

}  // namespace

TEST_CASE("the smallest visible leak ticks once in the whole spans that fit into still_for") {
    MeterSettings meter;
    CHECK(smallest_visible_leak_l_per_h(meter) == Approx(2.0));  // 1 L in ten spans of 3 min, by arithmetic.
    meter.cadence = std::chrono::minutes{7};
    CHECK(smallest_visible_leak_l_per_h(meter) == Approx(60.0 / 28));  // Four spans of 7 min.
    meter.pulse_value_l = {1, 3};
    meter.alarms.still_for = std::chrono::hours{1};
    meter.cadence = std::chrono::hours{1};
    CHECK(smallest_visible_leak_l_per_h(meter) == Approx(1.0 / 3));
    meter.cadence = std::chrono::minutes{61};
    CHECK_FALSE(smallest_visible_leak_l_per_h(meter));
}

TEST_CASE("no night with a leak of the smallest visible size counts as still") {
    rc::prop("for any cadence, phase of the ticks and delays of messages below a cadence", [] {
        const auto seconds = [](int from, int to) {
            return std::chrono::seconds{*rc::gen::inRange(from, to)};
        };
        MeterSettings meter;
        meter.cadence = seconds(1, 1801);
        const Duration period = std::chrono::duration_cast<Duration>(
            std::chrono::duration<double, std::ratio<3600>>(1 / *smallest_visible_leak_l_per_h(meter)));
        const Duration first = Duration{*rc::gen::inRange<std::int64_t>(0, period.count())};
        std::vector<Duration> delays;
        for (int i = 0; i < 7; ++i)
            delays.push_back(Duration{*rc::gen::inRange<std::int64_t>(0, meter.cadence.count())});
        const auto entries = leak_entries(period, first, meter.cadence, delays);
        Stillness stillness{night, meter.alarms.still_for};
        for (const Entry& entry : entries)
            stillness.add(entry);
        RC_ASSERT(stillness.verdict() != Verdict::still);
    });
}

TEST_CASE("a leak a third smaller than that leaves a still stretch") {
    MeterSettings meter;
    const auto entries =
        leak_entries(std::chrono::minutes{45}, std::chrono::seconds{1}, meter.cadence, {Duration{0}});
    Stillness stillness{night, meter.alarms.still_for};
    for (const Entry& entry : entries)
        stillness.add(entry);
    CHECK(stillness.verdict() == Verdict::still);
}
