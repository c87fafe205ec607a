#include <rapidcheck/catch.h>

#include <algorithm>
#include <catch2/catch.hpp>
#include <iterator>
#include <numeric>

#include "core/tick_times.hpp"
#include "tickledger/draw.hpp"

using namespace tickledger;
using std::chrono::hours;
using std::chrono::minutes;
using std::chrono::seconds;

namespace {

constexpr Instant begin{std::chrono::sys_days{std::chrono::year{2026} / 3 / 1}};

/// When a tap opens and shuts, in seconds from the beginning, and its flow.
struct Tap {
    double from_s;
    double to_s;
    double l_per_min;
};

/// The volume that has run through all taps until then.
double volume_l(const std::vector<Tap>& taps, double t_s) {
    return std::accumulate(taps.begin(), taps.end(), 0.0, [t_s](double sum, const Tap& tap) {
        return sum + std::max(0.0, std::min(t_s, tap.to_s) - tap.from_s) * tap.l_per_min / 60;
    });
}

/// The entries of a node that sends once per cadence. A silent node sends nothing for spans without a tick.
std::vector<Entry> told(const std::vector<Tap>& taps, double pulse_value_l, Duration cadence, Duration until,
                        bool silent = false) {
    std::vector<Entry> entries;
    Instant told_to = begin;
    std::int64_t count = 0;
    for (Duration t = cadence; t <= until; t += cadence) {
        const double run_l = volume_l(taps, std::chrono::duration<double>(t).count());
        const auto now = static_cast<std::int64_t>(run_l / pulse_value_l + 0.5);
        if (silent && now == count) continue;
        entries.push_back({.span = {told_to, begin + t}, .ticks = now - count, .end = {}});
        told_to = begin + t;
        count = now;
    }
    return entries;
}

double length_s(const Draw& draw) {
    return std::chrono::duration<double>(draw.span.length()).count();
}

double from_s(const Draw& draw) {
    return std::chrono::duration<double>(draw.span.from - begin).count();
}

std::int64_t ticks_of(const std::vector<Draw>& draws) {
    return std::accumulate(draws.begin(), draws.end(), std::int64_t{0},
                           [](std::int64_t sum, const Draw& draw) { return sum + draw.ticks; });
}

const std::vector<Tap> shower = {{600, 900, 8}};

}  // namespace

TEST_CASE("a span that is too long to examine counts as a gap before the next tick") {
    const auto entry = [](Duration from, Duration to, std::int64_t ticks) {
        return Entry{.span = {begin + from, begin + to}, .ticks = ticks, .end = {}};
    };
    const std::vector<Entry> entries{entry(minutes(0), minutes(1), 2), entry(minutes(1), minutes(301), 500),
                                     entry(minutes(301), minutes(302), 2)};
    const TickTimes times = tick_times(entries, 1);
    CHECK(times.too_coarse.size() == 1);
    REQUIRE(times.ticks.size() == 4);
    CHECK_FALSE(times.ticks[1].after_gap);
    CHECK(times.ticks[2].after_gap);
    CHECK_FALSE(times.ticks[3].after_gap);
}

TEST_CASE("the first tick after missing readings is marked") {
    const auto entry = [](int minute, EntryKind kind = EntryKind::measured) {
        return Entry{.span = {begin + minutes(minute), begin + minutes(minute + 1)},
                     .ticks = kind == EntryKind::measured ? 1 : 0,
                     .kind = kind,
                     .end = {}};
    };
    const auto begin_anew = [](const std::vector<Entry>& entries) {
        std::vector<bool> anew;
        for (const TickTime& tick : tick_times(entries, 1).ticks)
            anew.push_back(tick.after_gap);
        return anew;
    };
    CHECK(begin_anew({entry(0), entry(1), entry(2)}) == std::vector{true, false, false});
    CHECK(begin_anew({entry(0), entry(2), entry(3)}) == std::vector{true, true, false});
    CHECK(begin_anew({entry(0), entry(1, EntryKind::preset), entry(2)}) == std::vector{true, true});
}

TEST_CASE("a shower is one draw, as long and as fast as it was") {
    const bool silent = GENERATE(false, true);
    const auto draws = draws_in(told(shower, 1, seconds{1}, hours{1}, silent), 1);
    REQUIRE(draws.size() == 1);
    CHECK(draws[0].ticks == 40);
    CHECK(from_s(draws[0]) == Approx(600).margin(8));
    CHECK(length_s(draws[0]) == Approx(300).margin(8));
    CHECK(draws[0].mean_flow_l_per_h == Approx(480).epsilon(0.03));
    CHECK(draws[0].peak_flow_l_per_h == Approx(480).epsilon(0.05));
    CHECK(draws[0].blur == seconds{1});
    CHECK_FALSE(draws[0].overlaps);
}

TEST_CASE("a flush during a shower is a separate draw") {
    const auto draws = draws_in(told({shower[0], {700, 790, 6}}, 1, seconds{1}, hours{1}), 1);
    REQUIRE(draws.size() == 2);
    CHECK(std::abs(draws[0].ticks - 40) <= 1);
    CHECK(std::abs(draws[1].ticks - 9) <= 1);
    CHECK(from_s(draws[1]) == Approx(700).margin(10));
    CHECK(length_s(draws[1]) == Approx(90).margin(12));
    CHECK(draws[0].overlaps);
    CHECK(draws[1].overlaps);
}

TEST_CASE("a tap that somebody turns up is one draw") {
    const auto draws = draws_in(told({{600, 700, 6}, {700, 900, 8}}, 1, seconds{1}, hours{1}), 1);
    REQUIRE(draws.size() == 1);
    CHECK(std::abs(draws[0].ticks - 37) <= 1);
    CHECK(draws[0].peak_flow_l_per_h == Approx(480).epsilon(0.05));
}

TEST_CASE("a draw that begins when another ends does not overlap it") {
    const auto draws = draws_in(told({{600, 900, 4}, {900, 1200, 12}}, 1, seconds{1}, hours{1}), 1);
    REQUIRE(draws.size() == 2);
    CHECK(std::abs(draws[0].ticks - 20) <= 1);
    CHECK(std::abs(draws[1].ticks - 60) <= 1);
    CHECK(draws[0].span.to <= draws[1].span.from + seconds{10});
}

TEST_CASE("a pause too long for an open tap ends a draw") {
    const auto draws = draws_in(told({{600, 660, 6}, {750, 810, 6}}, 1, seconds{1}, hours{1}), 1);
    REQUIRE(draws.size() == 2);
    CHECK(draws[0].ticks == 6);
    CHECK(draws[1].ticks == 6);
}

TEST_CASE("a lone tick is a draw without a flow") {
    const auto draws = draws_in(told({{600, 612, 5}}, 1, seconds{1}, hours{1}), 1);
    REQUIRE(draws.size() == 1);
    CHECK(draws[0].ticks == 1);
    CHECK(draws[0].mean_flow_l_per_h == 0);
}

TEST_CASE("readings three minutes apart give draws a blur of three minutes") {
    auto draws = draws_in(told(shower, 1, minutes{3}, hours{1}), 1);
    label_draws(draws, 1);
    REQUIRE(draws.size() == 1);
    CHECK(draws[0].ticks == 40);
    CHECK(draws[0].blur == minutes{3});
    CHECK(draws[0].label == DrawLabel::shower);
    CHECK(from_s(draws[0]) == Approx(600).margin(180));
}

TEST_CASE("ticks of one instant are a draw without a flow, and are labelled") {
    const std::vector<Entry> entries = {{.span = {begin, begin}, .ticks = 2, .end = {}}};
    auto draws = draws_in(entries, 0.1);
    label_draws(draws, 0.1);
    REQUIRE(draws.size() == 1);
    CHECK(draws[0].mean_flow_l_per_h == 0);
    CHECK(draws[0].confidence > 0);
}

TEST_CASE("water within one long span is one draw and is not examined further") {
    const std::vector<Entry> entries = {{.span = {begin, begin + hours{5}}, .ticks = 300, .end = {}}};
    const auto draws = draws_in(entries, 1);
    REQUIRE(draws.size() == 1);
    CHECK(draws[0].ticks == 300);
    CHECK(draws[0].span == entries[0].span);
    CHECK(draws[0].mean_flow_l_per_h == 0);
}

TEST_CASE("adjustments and presets are not draws") {
    auto entries = told(shower, 1, seconds{10}, hours{1});
    const Instant end = entries.back().span.to;
    entries.push_back({.span = {begin, end}, .ticks = 7, .kind = EntryKind::adjustment, .end = {}});
    entries.push_back({.span = {end, end + minutes{3}}, .ticks = 0, .kind = EntryKind::preset, .end = {}});
    CHECK(ticks_of(draws_in(entries, 1)) == 40);
}

TEST_CASE("the first tick after a quiet night is not a draw as long as the night") {
    // The node sends only when there are ticks, so the span of the first tick begins in the evening.
    std::vector<Tap> taps = {{36'000, 36'090, 6}};
    const auto draws = draws_in(told(taps, 1, seconds{1}, hours{12}, true), 1);
    // Nine ticks are too few to recognise such a node. With a shower before them, they are enough.
    taps.insert(taps.begin(), shower[0]);
    const auto known = draws_in(told(taps, 1, seconds{1}, hours{12}, true), 1);
    CHECK(ticks_of(draws) == 9);
    REQUIRE(known.size() == 2);
    CHECK(known[1].ticks == 9);
    CHECK(length_s(known[1]) == Approx(90).margin(12));
}

TEST_CASE("a node that checks every three minutes and sends only changes does not report ticks at once") {
    const auto draws = draws_in(
        told({shower[0], {3600, 3900, 8}, {7200, 7800, 6}, {9000, 9300, 8}}, 1, minutes{3}, hours{4}, true),
        1);
    for (const Draw& draw : draws)
        CHECK(draw.blur >= minutes{3});
}

TEST_CASE("the draws contain every tick of any entries, in order") {
    rc::prop("sums and order", [] {
        // Some of them last for days: a constant leak is looked for from 24 hours on.
        const std::int64_t longest_s = *rc::gen::element<std::int64_t>(400, 7200);
        const auto length = rc::gen::map(rc::gen::inRange<std::int64_t>(0, longest_s),
                                         [](std::int64_t s) { return Duration{seconds{s}}; });
        const auto steps = *rc::gen::container<std::vector<std::tuple<Duration, std::int64_t, int>>>(
            rc::gen::tuple(length,
                           rc::gen::weightedOneOf<std::int64_t>({{2, rc::gen::just<std::int64_t>(0)},
                                                                 {3, rc::gen::just<std::int64_t>(1)},
                                                                 {1, rc::gen::inRange<std::int64_t>(2, 60)}}),
                           rc::gen::inRange(0, 12)));
        const double pulse_value_l = *rc::gen::elementOf(std::vector<double>{0.1, 1, 10});
        std::vector<Entry> entries;
        Instant at = begin;
        std::int64_t sum = 0;
        for (const auto& [step, ticks, kind] : steps) {
            // One in twelve is a restart and one in twelve a gap.
            Entry entry{.span = {at, at + step}, .ticks = kind == 1 ? 0 : ticks, .end = {}};
            if (kind == 0) entry.kind = EntryKind::restart;
            if (kind == 1) entry.kind = EntryKind::lost;
            entries.push_back(entry);
            at += step;
            sum += entry.ticks;
        }
        auto draws = draws_in(entries, pulse_value_l);
        RC_ASSERT(ticks_of(draws) == sum);
        for (std::size_t i = 0; i < draws.size(); ++i) {
            RC_ASSERT(draws[i].ticks > 0);
            RC_ASSERT(draws[i].span.length() >= Duration{0});
            // In parentheses, because the macro's own operator || evaluates both sides.
            RC_ASSERT((i == 0 || draws[i - 1].span.from <= draws[i].span.from));
        }
        label_draws(draws, pulse_value_l);
        RC_ASSERT(ticks_of(draws) == sum);
        for (const Draw& draw : draws)
            RC_ASSERT(draw.confidence > 0 && draw.confidence <= 1);
    });
}

TEST_CASE("a house's cistern is learned, and its recurring refills are flushes") {
    // Ten refills of 9 L at 4 L/min, slower and larger than the usual one.
    std::vector<Tap> taps;
    for (int i = 0; i < 10; ++i)
        taps.push_back({600.0 + i * 3600, 600.0 + i * 3600 + 135, 4});
    auto draws = draws_in(told(taps, 1, seconds{1}, hours{12}), 1);
    label_draws(draws, 1);
    REQUIRE(draws.size() == 10);
    for (const Draw& draw : draws)
        CHECK(draw.label == DrawLabel::flush);
}

TEST_CASE("similar fills one after the other are one use of a machine") {
    // A cistern of 6 L is flushed every two hours for three days. On the second day a machine runs.
    std::vector<Tap> taps;
    for (int i = 0; i < 36; ++i)
        taps.push_back({600.0 + i * 7200, 600.0 + i * 7200 + 60, 6});
    const double machine_s = 20 * 7200 + 2400;
    for (int i = 0; i < 4; ++i)
        taps.push_back({machine_s + i * 1000, machine_s + i * 1000 + 94, 8.5});
    auto draws = draws_in(told(taps, 1, seconds{1}, hours{72}), 1);
    const std::int64_t ticks = ticks_of(draws);
    label_draws(draws, 1);
    std::vector<Draw> machines;
    std::copy_if(draws.begin(), draws.end(), std::back_inserter(machines),
                 [](const Draw& draw) { return draw.label == DrawLabel::washer; });
    REQUIRE(machines.size() == 1);
    CHECK(machines[0].parts == 4);
    CHECK(machines[0].ticks == Approx(53).margin(2));
    CHECK(ticks_of(draws) == ticks);
}

TEST_CASE("a shower that is interrupted for soap is one shower") {
    // Flows, lengths and pauses of a real shower: 45 L at 4 L/min, 40 s for soap (WEUSEDTO, CC BY 4.0).
    auto draws = draws_in(told({{600, 900, 4}, {940, 1315, 4}}, 0.1, seconds{1}, hours{1}), 0.1);
    label_draws(draws, 0.1);
    REQUIRE(draws.size() == 1);
    CHECK(draws[0].label == DrawLabel::shower);
    CHECK(draws[0].ticks == 450);
    CHECK(draws[0].parts == 2);
    CHECK(draws[0].mean_flow_l_per_h == Approx(240).epsilon(0.05));
}

TEST_CASE("a constant leak is labelled with its litres, and the uses during it as uses") {
    // Two days with a leak of 20 L/h, and on each day a shower and four flushes.
    std::vector<Tap> taps = {{0, 172'800, 20.0 / 60}};
    for (const double day_s : {0.0, 86'400.0}) {
        taps.push_back({day_s + 26'000, day_s + 26'400, 7});
        for (const double at_s : {24'000.0, 40'000.0, 60'000.0, 80'000.0})
            taps.push_back({day_s + at_s, day_s + at_s + 75, 6});
    }
    const auto entries = told(taps, 1, seconds{1}, hours{48}, true);
    auto draws = draws_in(entries, 1);
    label_draws(draws, 1);
    std::int64_t leaked = 0;
    std::int64_t all = 0;
    bool has_shower = false;
    for (const Draw& draw : draws) {
        all += draw.ticks;
        if (draw.label == DrawLabel::leak) leaked += draw.ticks;
        has_shower = has_shower || (draw.label == DrawLabel::shower && draw.ticks >= 40);
    }
    CHECK(leaked == Approx(960).epsilon(0.08));
    CHECK(has_shower);
    CHECK(all == std::accumulate(entries.begin(), entries.end(), std::int64_t{0},
                                 [](std::int64_t sum, const Entry& entry) { return sum + entry.ticks; }));
}

TEST_CASE("a label from a person counts for the use and for similar uses before and after it") {
    // The same 12 L at 6 L/min every day at varying hours. The person labels two of them as the hose.
    std::vector<Tap> taps;
    for (int i = 0; i < 8; ++i) {
        const double at_s = 86'400.0 * i + 30'000 + 3000 * (i % 3);
        taps.push_back({at_s, at_s + 120, 6});
        taps.push_back({at_s + 20'000, at_s + 20'000 + 420, 8});
    }
    auto plain = draws_in(told(taps, 1, seconds{1}, hours{24 * 8}, true), 1);
    auto taught = plain;
    auto undone = plain;
    label_draws(plain, 1);
    REQUIRE(plain.size() == 16);
    const Draw& meant = plain[6];
    REQUIRE(meant.ticks == 12);
    const ToldDraw said{.at = meant.span.from + meant.span.length() / 2,
                        .label = DrawLabel::hose,
                        .name = "the roses",
                        .volume_ul = 12'000'000,
                        .flow_ml_per_h = 360'000};
    const std::vector<ToldDraw> twice = {said,
                                         {.at = plain[8].span.from + seconds{60},
                                          .label = DrawLabel::hose,
                                          .name = "the roses",
                                          .volume_ul = 12'000'000,
                                          .flow_ml_per_h = 360'000}};
    label_draws(taught, 1, {.told = twice});
    REQUIRE(taught.size() == plain.size());
    for (std::size_t i = 0; i < taught.size(); ++i) {
        const bool is_hose = i % 2 == 0;
        CHECK(taught[i].told == (i == 6 || i == 8));
        CHECK((taught[i].label == DrawLabel::hose) == is_hose);
        CHECK(taught[i].name == (is_hose ? "the roses" : ""));
        if (taught[i].told) CHECK(taught[i].confidence == 1);
    }
    // Without the labels, everything is as before.
    label_draws(undone, 1, {});
    for (std::size_t i = 0; i < undone.size(); ++i)
        CHECK(undone[i].label == plain[i].label);
}

TEST_CASE("water that ran back is not a draw") {
    auto entries = told(shower, 1, seconds{10}, hours{1});
    const Instant end = entries.back().span.to;
    entries.push_back({.span = {end, end + minutes{3}}, .ticks = -3, .kind = EntryKind::reverse, .end = {}});
    CHECK(ticks_of(draws_in(entries, 1)) == 40);
}

TEST_CASE("lone ticks at a steady pace are a leak, lone ticks at irregular times are taps") {
    std::vector<Tap> drip = {{0, 20'000, 0.05}};
    auto draws = draws_in(told(drip, 1, seconds{1}, hours{5}), 1);
    label_draws(draws, 1);
    REQUIRE(draws.size() >= 10);
    for (const Draw& draw : draws)
        CHECK(draw.label == DrawLabel::leak);
    std::vector<Tap> sips = {{600, 612, 5}, {900, 912, 5}, {4000, 4012, 5}, {4200, 4212, 5}, {9000, 9012, 5}};
    auto others = draws_in(told(sips, 1, seconds{1}, hours{5}), 1);
    label_draws(others, 1);
    for (const Draw& draw : others)
        CHECK(draw.label == DrawLabel::tap);
}

TEST_CASE("every label has a name and is found by its name") {
    for (int i = 0; i < draw_label_count; ++i)
        CHECK(draw_label_named(name_of(static_cast<DrawLabel>(i))) == static_cast<DrawLabel>(i));
    CHECK_FALSE(draw_label_named("sauna"));
}
