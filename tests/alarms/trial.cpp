#include "alarms/trial.hpp"

#include <cmath>
#include <utility>

#include "simulation/chance.hpp"
#include "tickledger/counter.hpp"
#include "tickledger/running_water.hpp"
#include "tickledger/slow_leak.hpp"
#include "tickledger/stillness.hpp"

namespace tickledger::alarms {

namespace {

using namespace simulation;
using std::chrono::hours;

constexpr std::uint64_t leak_stream = 11;
constexpr std::uint64_t node_stream = 12;
constexpr double leak_wander = 0.1;

std::vector<Instant> ticks_of_month(const Trial& trial, std::optional<Instant>& leak_from) {
    const House house = house_of(trial.seed);
    auto water = water_of(house, trial.seed, first_midnight, month_days);
    Chance chance(Chance::seed_of(trial.seed, leak_stream));
    if (trial.leak_l_per_h > 0) {
        leak_from = first_midnight + chance.moment(hours{72});
        const auto leak = wandering_leak({*leak_from, first_midnight + hours{24} * month_days},
                                         trial.leak_l_per_h, leak_wander, trial.seed);
        water.insert(water.end(), leak.begin(), leak.end());
    }
    const auto pulse_value_ul = std::llround(trial.pulse_value_l * 1e6);
    return ticks_of(water, pulse_value_ul,
                    static_cast<std::int64_t>(chance.below(static_cast<std::uint64_t>(pulse_value_ul))));
}

/// The nights of the month in order.
class Nights {
public:
    explicit Nights(const AlarmSettings& settings) : settings_(settings) {}
    [[nodiscard]] Span at_hand() const {
        const Instant midnight = first_midnight + hours{24} * day_;
        return {midnight + settings_.night_from, midnight + settings_.night_to};
    }
    void advance() { ++day_; }

private:
    const AlarmSettings& settings_;
    int day_ = 0;
};

void watch_nights(const Month& month, Outcome& outcome) {
    const AlarmSettings& settings = month.meter.alarms;
    Nights nights(settings);
    Stillness night(nights.at_hand(), settings.still_for);
    bool stands = false;
    for (const Entry& entry : month.entries) {
        while (night.window().to <= entry.span.to) {
            night.add(entry);
            const Verdict verdict = night.verdict();
            ++(verdict == Verdict::undecided ? outcome.nights_undecided : outcome.nights_decided);
            const bool is_whole = month.leak_from && night.window().from >= *month.leak_from;
            if (is_whole && night.window().from < *month.leak_from + hours{24} &&
                verdict != Verdict::undecided)
                outcome.first_night_found = verdict == Verdict::flow;
            if (verdict == Verdict::flow && !stands) outcome.night_raised.push_back(night.window().to);
            stands = verdict == Verdict::flow || (stands && verdict == Verdict::undecided);
            nights.advance();
            night = Stillness(nights.at_hand(), settings.still_for);
        }
        night.add(entry);
    }
}

void watch_slowly(const Month& month, Outcome& outcome) {
    Nights nights(month.meter.alarms);
    SlowLeak slow_leak;
    std::optional<Duration> stands;
    for (const Entry& entry : month.entries) {
        for (; slow_leak.is_past_night(entry.span.from); nights.advance())
            slow_leak.begin_night(nights.at_hand());
        const bool is_news = slow_leak.add(entry);
        const auto finding = is_news ? slow_leak.finding() : std::nullopt;
        if (finding && !stands) outcome.slow_raised.push_back(entry.span.to);
        if (finding) stands = finding->period;
        if (stands && slow_leak.refutes(*stands)) {
            stands.reset();
            slow_leak.forget(entry.span.to);
        }
    }
}

}  // namespace

void watch_uses(const std::vector<Entry>& entries, const MeterSettings& meter, Outcome& outcome) {
    HighFlow flow;
    LongDraw draw;
    bool flow_stands = false;
    bool draw_stands = false;
    for (const Entry& entry : entries) {
        if (flow.add(entry, meter) && !std::exchange(flow_stands, true))
            outcome.high_flow_raised.push_back(entry.span.to);
        if (flow.is_over(meter)) flow_stands = false;
        if (draw.add(entry, meter) && !std::exchange(draw_stands, true))
            outcome.long_draw_raised.push_back(entry.span.to);
        if (draw.is_shut()) draw_stands = false;
    }
}

std::vector<Entry> entries_of(const std::vector<NodeReading>& readings, const MeterSettings& meter) {
    const CounterRules rules(meter);
    CounterState state;
    std::vector<Entry> entries;
    entries.reserve(readings.size());
    for (const NodeReading& told : readings) {
        const Reading reading{.count = told.count, .boot = told.boot, .seq = told.seq};
        const Booking booking = book(state, reading, {.arrived_at = told.at}, rules);
        entries.insert(entries.end(), booking.entries().begin(), booking.entries().end());
    }
    return entries;
}

Month month_of(const Trial& trial) {
    Month month;
    month.meter.cadence = trial.cadence;
    month.meter.pulse_value_l = {std::llround(trial.pulse_value_l * 10), 10};
    const auto ticks = ticks_of_month(trial, month.leak_from);
    SpeakingHabits habits;
    habits.cadence = trial.cadence;
    const Span span{first_midnight, first_midnight + hours{24} * month_days};
    month.entries =
        entries_of(readings_of(ticks, span, habits, Chance::seed_of(trial.seed, node_stream)), month.meter);
    return month;
}

Outcome watch(const Month& month) {
    Outcome outcome;
    watch_nights(month, outcome);
    watch_slowly(month, outcome);
    watch_uses(month.entries, month.meter, outcome);
    return outcome;
}

}  // namespace tickledger::alarms
