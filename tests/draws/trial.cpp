#include "draws/trial.hpp"

#include <algorithm>
#include <cmath>

#include "simulation/chance.hpp"

namespace tickledger::draws {

namespace {

using std::chrono::hours;
using std::chrono::seconds;

/// 2026-06-01T00:00:00Z.
constexpr Instant first_midnight{std::chrono::sys_days{std::chrono::year{2026} / 6 / 1}};
constexpr std::uint64_t phase_stream = 31;

Instant next_turn(Instant t, Duration cadence) {
    const auto since = t - first_midnight;
    return first_midnight + (since + cadence - Duration{1}) / cadence * cadence;
}

/// The entries of the ledger if the node sends after every second with ticks, or at every cadence.
std::vector<Entry> entries_of(const std::vector<Instant>& ticks, const Trial& trial) {
    const bool at_ticks = trial.cadence == Duration{};
    const Duration step = at_ticks ? Duration{seconds{1}} : trial.cadence;
    std::vector<Entry> entries;
    Instant told_to = first_midnight;
    const auto tell = [&](Instant to, std::int64_t count) {
        entries.push_back({.span = {told_to, to}, .ticks = count, .end = {}});
        told_to = to;
    };
    for (std::size_t i = 0; i < ticks.size();) {
        const Instant turn = next_turn(ticks[i], step);
        while (!at_ticks && told_to + step < turn)
            tell(told_to + step, 0);
        std::int64_t count = 0;
        for (; i < ticks.size() && ticks[i] <= turn; ++i)
            ++count;
        tell(turn, count);
    }
    return entries;
}

/// A draw of nearly this volume was found, and most of its time overlaps the true draw.
bool is_found(const std::vector<Draw>& told, const simulation::Draw& ran, Duration reach,
              double pulse_value_l) {
    return std::any_of(told.begin(), told.end(), [&](const Draw& draw) {
        const double off_l = std::abs(static_cast<double>(draw.ticks) * pulse_value_l - ran.volume_l());
        const Duration shared = overlap(draw.span, {ran.span.from - reach, ran.span.to + reach}).length();
        const Duration shorter = std::min(draw.span.length(), ran.span.length());
        return off_l <= pulse_value_l * 1.001 && shared * 3 >= shorter * 2;
    });
}

/// No other draw ran at the same time, or so soon before or after it that the meter could not separate them.
bool is_alone(const std::vector<simulation::Draw>& water, const simulation::Draw& ran, double pulse_value_l) {
    const Duration between = std::chrono::microseconds{std::llround(pulse_value_l * 60e6)};
    return std::none_of(water.begin(), water.end(), [&](const simulation::Draw& other) {
        return &other != &ran &&
               overlap(other.span, {ran.span.from - between, ran.span.to + between}).length() > Duration{0};
    });
}

}  // namespace

Outcome& Outcome::operator+=(const Outcome& other) {
    countable += other.countable, found += other.found, alone += other.alone,
        alone_found += other.alone_found;
    return *this;
}

Outcome measure(const Trial& trial) {
    const simulation::House house = simulation::house_of(trial.seed);
    auto water = simulation::water_of(house, trial.seed, first_midnight, trial.days);
    std::sort(water.begin(), water.end(), [](const auto& a, const auto& b) { return a.span < b.span; });
    simulation::Chance chance(simulation::Chance::seed_of(trial.seed, phase_stream));
    const auto pulse_value_ul = std::llround(trial.pulse_value_l * 1e6);
    const auto ticks = simulation::ticks_of(
        water, pulse_value_ul,
        static_cast<std::int64_t>(chance.below(static_cast<std::uint64_t>(pulse_value_ul))));
    const std::vector<Draw> told = draws_in(entries_of(ticks, trial), trial.pulse_value_l);

    Outcome outcome;
    const Duration reach = std::max<Duration>(seconds{2}, trial.cadence);
    std::size_t from = 0;
    std::vector<Draw> near;
    for (const simulation::Draw& ran : water) {
        while (from < told.size() && told[from].span.from < ran.span.from - hours{3})
            ++from;
        near.clear();
        for (std::size_t i = from; i < told.size() && told[i].span.from <= ran.span.to + reach; ++i)
            near.push_back(told[i]);
        const double volume_l = ran.volume_l();
        if (volume_l < 2 * trial.pulse_value_l) continue;
        ++outcome.countable;
        const bool found = is_found(near, ran, reach, trial.pulse_value_l);
        if (found) ++outcome.found;
        if (!is_alone(water, ran, trial.pulse_value_l)) continue;
        ++outcome.alone;
        if (found) ++outcome.alone_found;
    }
    return outcome;
}

}  // namespace tickledger::draws
