// Compares what the core finds in the entries of many houses with stored results. All code of the core that
// reads entries takes part. After a change of that code, this test shows the houses whose results changed. If
// the change is intended, write and commit the new results:
//
//   TICKLEDGER_WRITE_TOLD=1 build/release/tests/core/tests_core 'what is seen*'
//
// The other tests check that the results are right. This one only notices changes. Times are on a grid that
// also contains the limits, so some stretches are exactly as long as a limit.
#include <fmt/format.h>

#include <array>
#include <catch2/catch.hpp>
#include <set>

#include "core/draws_leak.hpp"
#include "core/steady_flow.hpp"
#include "core/tick_times.hpp"
#include "support/dice.hpp"
#include "support/told_before.hpp"
#include "tickledger/calibration.hpp"
#include "tickledger/civil.hpp"
#include "tickledger/draw.hpp"
#include "tickledger/message.hpp"
#include "tickledger/meter.hpp"
#include "tickledger/pulse_value.hpp"
#include "tickledger/running_water.hpp"
#include "tickledger/series.hpp"
#include "tickledger/slow_leak.hpp"
#include "tickledger/stillness.hpp"
#include "tickledger/words.hpp"

using namespace tickledger;
using test::Dice;

namespace {

using std::chrono::hours;
using std::chrono::minutes;
using std::chrono::seconds;

// 2026-03-27, two days before Europe's clocks go forward.
const Instant start = Instant{std::chrono::sys_days{std::chrono::year{2026} / 3 / 27}};
constexpr Duration grid = seconds{30};
constexpr int days = 6;

struct House {
    MeterSettings meter;
    std::vector<Entry> entries;
};

MeterSettings settings_of(Dice& dice) {
    MeterSettings meter;
    meter.id = "house";
    meter.pulse_value_l = dice.of(std::array<Ratio, 6>{{{1, 1}, {1, 1}, {1, 10}, {1, 2}, {5, 2}, {10, 1}}});
    meter.cadence =
        dice.of(std::array<Duration, 6>{minutes{3}, minutes{3}, minutes{1}, grid, minutes{10}, minutes{30}});
    meter.interval = dice.of(std::array<Duration, 4>{minutes{5}, minutes{15}, hours{1}, minutes{7}});
    meter.alarms.high_flow_l_per_h = dice.of(std::array<Ratio, 3>{{{1800, 1}, {600, 1}, {1000, 3}}});
    meter.alarms.high_flow_for = dice.of(std::array<Duration, 3>{minutes{10}, minutes{3}, minutes{20}});
    meter.alarms.long_draw_volume_l = dice.of(std::array<Ratio, 2>{{{500, 1}, {60, 1}}});
    meter.alarms.long_draw_time = dice.of(std::array<Duration, 2>{hours{2}, minutes{15}});
    meter.alarms.still_for = dice.of(std::array<Duration, 3>{minutes{30}, minutes{10}, minutes{60}});
    return meter;
}

/// The moments of all ticks: of some days of uses and of a leak.
std::multiset<Instant> ticks_of(Dice& dice, double pulse_value_l) {
    std::multiset<Instant> ticks;
    const Duration leak = grid * dice.of(std::array{0, 0, 0, 1, 10, 40, 60, 61, 75, 94, 120, 240});
    if (leak > Duration{0}) {
        for (Instant t = start + leak; t < start + hours{24 * days}; t += leak)
            ticks.insert(t);
    }
    for (int use = 0; use < 14 * days; ++use) {
        // People sleep until six, with a few exceptions.
        const Duration clock = dice.one_in(15) ? grid * static_cast<int>(dice.below(720))
                                               : grid * static_cast<int>(720 + dice.below(2'040));
        const Instant begin = start + hours{24 * static_cast<int>(dice.below(days))} + clock;
        const double l_per_h =
            dice.of(std::array{60.0, 120.0, 300.0, 540.0, 600.0, 720.0, 1200.0, 1800.0, 2000.0});
        const double litres = dice.of(std::array{1.0, 2.0, 6.0, 6.0, 9.0, 12.0, 40.0, 60.0, 120.0, 320.0});
        const Duration pause{static_cast<std::int64_t>(pulse_value_l / l_per_h * 3'600'000'000)};
        const int fills = dice.one_in(8) ? 4 : 1;
        for (int fill = 0; fill < fills; ++fill) {
            for (int n = 1; n * pulse_value_l <= litres; ++n)
                ticks.insert(begin + minutes{9} * fill + pause * n);
        }
    }
    return ticks;
}

House house_of(std::uint64_t seed) {
    Dice dice(seed);
    House house{settings_of(dice), {}};
    const auto ticks = ticks_of(dice, house.meter.pulse_value_l.value());
    // The node sends at every tick and every quarter of an hour, or at its cadence.
    const bool is_prompt = dice.one_in(4);
    const bool is_troubled = dice.one_in(2);
    Instant now = start;
    while (now < start + hours{24 * days}) {
        Entry entry;
        Instant to = now + (is_prompt ? Duration{minutes{15}} : house.meter.cadence);
        if (is_troubled && dice.one_in(60)) to = now + grid * static_cast<int>(1 + dice.below(400));
        const auto next = ticks.upper_bound(now);
        if (is_prompt && next != ticks.end()) to = std::min(to, *next);
        entry.span = {now, to};
        entry.ticks = std::distance(next, ticks.upper_bound(to));
        if (is_troubled && dice.one_in(50)) {
            entry.kind = dice.of(std::array{EntryKind::restart, EntryKind::lost, EntryKind::preset,
                                            EntryKind::reverse, EntryKind::adjustment, EntryKind::measured});
            if (entry.kind == EntryKind::reverse || dice.one_in(9)) entry.ticks = -entry.ticks;
            entry.time_estimated = entry.kind == EntryKind::measured;
            if (!entry.covers() && entry.kind != EntryKind::adjustment) entry.ticks = 0;
        }
        house.entries.push_back(entry);
        if (entry.kind != EntryKind::adjustment) now = to;
        if (is_troubled && dice.one_in(300)) now += grid * static_cast<int>(dice.below(60));
    }
    return house;
}

/// What a watch found, and when.
class Notes {
public:
    void note(std::string_view what, Instant at, const std::string& more = {}) {
        ++count_;
        all_ += fmt::format("{} {} {}\n", what, microseconds_of(at), more);
    }
    [[nodiscard]] std::string told(std::string_view name) const {
        return fmt::format("{} {} {:016x}; ", name, count_, fingerprint(all_));
    }

private:
    int count_ = 0;
    std::string all_;
};

std::string rows(const House& house) {
    Notes notes;
    RowFinder finder(CivilZone::find("Europe/Lisbon").value(), house.meter.interval);
    std::vector<Share> shares, coarser;
    const auto note = [&](const std::vector<Share>& all) {
        for (const Share& share : all)
            notes.note("share", share.row.from,
                       fmt::format("{} {} {}", share.ticks, share.covered.count(), share.spread_ticks));
    };
    for (const Entry& entry : house.entries) {
        apportion(entry, finder, shares);
        note(shares);
        for (const Step step : {Step::hour, Step::day, Step::month, Step::year}) {
            roll_up(entry, shares, step, finder, coarser);
            note(coarser);
        }
    }
    return notes.told("rows");
}

std::string nights(const House& house) {
    Notes notes;
    for (Instant from = start; from < start + hours{24 * days}; from += hours{6}) {
        Stillness night({from, from + hours{4}}, house.meter.alarms.still_for);
        for (const Entry& entry : house.entries)
            night.add(entry);
        notes.note(
            "night", night.longest_still().from,
            fmt::format("{} {}", static_cast<int>(night.verdict()), night.longest_still().length().count()));
    }
    return notes.told("nights");
}

std::string slow_leaks(const House& house) {
    Notes notes;
    SlowLeak leak;
    for (const Entry& entry : house.entries) {
        if (leak.is_past_night(entry.span.from)) {
            const Instant midnight = std::chrono::floor<std::chrono::days>(entry.span.from + hours{23});
            leak.begin_night({midnight + hours{1}, midnight + hours{5}});
        }
        if (leak.add(entry)) notes.note("lone", entry.span.to);
        if (const auto finding = leak.finding())
            notes.note("leak", finding->since,
                       fmt::format("{} {} {:.4f}", finding->period.count(), finding->lone_ticks,
                                   finding->log_likelihood_ratio));
        for (const int period : {30, 60, 120, 240})
            if (leak.refutes(minutes{period})) notes.note("refuted", entry.span.to, std::to_string(period));
    }
    return notes.told("lone ticks");
}

std::string running(const House& house) {
    Notes high_notes, long_notes;
    HighFlow high;
    LongDraw draw;
    for (const Entry& entry : house.entries) {
        const bool is_high = high.add(entry, house.meter);
        if (is_high || high.is_over(house.meter))
            high_notes.note(is_high ? "high" : "over", high.run().from, std::to_string(high.run_ticks()));
        const bool is_long = draw.add(entry, house.meter);
        if (is_long || draw.is_shut())
            long_notes.note(is_long ? "long" : "shut", draw.since(), std::to_string(draw.ticks()));
    }
    return high_notes.told("high") + long_notes.told("long");
}

std::string tenth(double value) {
    return fmt::format("{:.1f}", value);
}

std::string draws(const House& house) {
    const double pulse_value_l = house.meter.pulse_value_l.value();
    Notes ticks, leak, pieces, found;
    TickTimes times = tick_times(house.entries, pulse_value_l);
    for (const TickTime& tick : times.ticks)
        ticks.note("tick", tick.at,
                   fmt::format("{} {} {}", tick.window.length().count(), tick.is_lone, tick.after_gap));
    for (const Entry& entry : times.too_coarse)
        ticks.note("coarse", entry.span.from, std::to_string(entry.ticks));
    for (const Draw& draw : take_out_leak(times.ticks, pulse_value_l, {}))
        leak.note("leak", draw.span.from, fmt::format("{} {}", draw.ticks, tenth(draw.mean_flow_l_per_h)));
    for (std::size_t first = 0; first + 30 <= times.ticks.size(); first += 30) {
        for (const Piece& piece : pieces_of(std::span(times.ticks).subspan(first, 30)))
            pieces.note("piece", times.ticks[first].at,
                        fmt::format("{} {} {:.2f}", piece.first, piece.last, piece.pause_s));
    }
    for (const Draw& draw : draws_in(house.entries, pulse_value_l))
        found.note(
            "draw", std::chrono::round<seconds>(draw.span.from),
            fmt::format("{} {} {} {} {} {} {}", std::chrono::round<seconds>(draw.span.length()).count(),
                        draw.ticks, tenth(draw.mean_flow_l_per_h), tenth(draw.peak_flow_l_per_h),
                        draw.blur.count(), draw.overlaps, draw.parts));
    return ticks.told("ticks") + leak.told("leak") + pieces.told("pieces") + found.told("draws");
}

void tell_calibrations(std::ostream& out) {
    for (std::uint64_t seed = 1; seed <= 60; ++seed) {
        Dice dice(seed);
        const Ratio pulse_value_l = dice.of(std::array<Ratio, 3>{{{1, 1}, {10, 1}, {1, 4}}});
        const auto wrong_percent = static_cast<double>(dice.below(9)) - 4;
        std::vector<CalibrationStretch> stretches(dice.below(9));
        for (CalibrationStretch& stretch : stretches) {
            stretch.ticks = static_cast<std::int64_t>(dice.below(4) * 500 * dice.below(3) + dice.below(40));
            stretch.flow_l_per_h = dice.of(std::array{20.0, 50.0, 200.0, 900.0, 2000.0});
            const double missed = dice.one_in(2) ? stretch.flow_l_per_h / 40'000 : 0;
            stretch.volume_ul =
                static_cast<std::int64_t>(static_cast<double>(stretch.ticks) * pulse_value_l.value() *
                                          (100 + wrong_percent) * (1 + missed)) *
                10'000;
            stretch.has_unseen = dice.one_in(8);
        }
        const auto found = calibrate(stretches, pulse_value_l, {1, 1}, {2500, 1});
        out << fmt::format("calibration {}: ", seed);
        if (!found) {
            out << "nothing\n";
            continue;
        }
        out << fmt::format("{:.5f} L, {:.5f} L, error {:.5f} of {}, {:.1f} L/h, {}, {}, {} stretches\n",
                           found->pulse_value_l, found->uncertainty_l, found->error, found->permissible_error,
                           found->flow_l_per_h, name_of(found->verdict), name_of(found->shape),
                           found->stretches_used);
    }
}

void tell_numbers(std::ostream& out) {
    const CivilZone zone = CivilZone::find("Europe/Lisbon").value();
    const std::array<Ratio, 5> values{
        {{1, 1}, {1, 3}, {473'176'473, 1'250'000'000}, {10, 1}, {1'000'000, 7}}};
    for (std::size_t v = 0; v < values.size(); ++v) {
        Notes notes;
        for (const std::int64_t ticks :
             {0L, 1L, 5L, 15L, 25L, 999L, 1'000'001L, 4'611'686'018'427'387'904L, INT64_MAX}) {
            for (const std::int64_t sign : {1, -1}) {
                for (const int digits : {0, 3, 6}) {
                    const auto scaled =
                        scaled_volume(sign * ticks, values.at(v), {1, 2}, digits == 6 ? 1000 : 1, digits);
                    const std::array<ValuedTicks, 2> two{
                        {{sign * ticks, values.at(v)}, {ticks / 2, values.at((v + 1) % values.size())}}};
                    notes.note("volume", instant_of(scaled), decimal(scaled, digits));
                    notes.note("two", instant_of(scaled_volume(two, {0, 1}, 1, digits)),
                               std::to_string(nearest_ticks(sign * ticks, values.at(v))));
                }
            }
        }
        out << "volumes of value " << v << ": " << notes.told("all") << '\n';
    }
    Notes lengths;
    for (const Duration unit :
         std::array<Duration, 6>{seconds{1}, minutes{1}, hours{1}, hours{24}, hours{48}, hours{720}}) {
        for (const int times : {1, 2, 3, 59, 60, 61}) {
            for (const int off : {-1'000'000, -1, 0, 1, 1'000'000, 61'000'000}) {
                const Duration length = unit * times + Duration{off};
                const Instant t = start + length;
                lengths.note(in_words(length), t,
                             format_duration(length) + in_words(t, zone) + format_utc(t) + zone.format(t));
                lengths.note(in_words(Span{start + hours{1}, t}, zone), zone.start_of(zone.date_of(t)));
                for (const Step step : {Step::interval, Step::hour, Step::day, Step::month, Step::year}) {
                    const Span row = zone.row_at(step, minutes{7}, t);
                    lengths.note(name_of(step), row.from, std::to_string(row.length().count()));
                }
                lengths.note("at", zone.at(zone.date_of(t), hours{1} + minutes{times}));
                MeterSettings meter;
                for (const double litres : {1.0, 3.0, 9.0, 60.0, 3125.0, 3127.0}) {
                    const auto flow = possible_flow_l_per_h(litres, length, meter);
                    lengths.note("flow", t, flow ? tenth(*flow) : "-");
                }
                meter.cadence = length;
                const auto leak = smallest_visible_leak_l_per_h(meter);
                lengths.note("leak", t, leak ? fmt::format("{:.3f}", *leak) : "-");
                for (int kind = 0; kind < alarm_kind_count; ++kind)
                    lengths.note(name_of(AlarmKind(kind)), t, meter.watches(AlarmKind(kind)) ? "on" : "off");
                lengths.note("silent", t, format_duration(usual_silent_after(length)));
            }
        }
    }
    out << lengths.told("lengths") << '\n';
}

}  // namespace

TEST_CASE("what is seen in the entries of these houses is what was seen in them before") {
    constexpr int houses = 80;
    std::stringstream now;
    for (std::uint64_t seed = 1; seed <= houses; ++seed) {
        const House house = house_of(seed);
        now << fmt::format("house {}: {}{}{}{}{}\n", seed, rows(house), nights(house), slow_leaks(house),
                           running(house), draws(house));
    }
    tell_calibrations(now);
    tell_numbers(now);
    test::check_told_before(now, TICKLEDGER_SOURCE_DIR "/tests/core/flows_told.txt", houses + 66);
}
