#include "core/draws_leak.hpp"

#include <algorithm>
#include <chrono>
#include <cmath>
#include <deque>

#include "core/steady_flow.hpp"

namespace tickledger {

namespace {

using std::chrono::hours;

constexpr double least_leak_l_per_h = 2.5;
constexpr Duration half_a_day = hours{12};

/// The flow beneath everything else at each tick, in litres an hour. 0 if the water stood still at some time
/// within half a day before or after the tick.
std::vector<double> paces(const std::vector<TickTime>& ticks, double pulse_value_l) {
    const auto together = static_cast<std::size_t>(std::max(4.0, std::ceil(2 / pulse_value_l)));
    std::vector<double> pace(ticks.size(), 0);
    if (ticks.size() <= together) return pace;
    // The longest of these stretches within half a day on either side, by a sliding window.
    const auto length_s = [&](std::size_t i) { return seconds_between(ticks[i].at, ticks[i + together].at); };
    std::deque<std::size_t> longest;
    std::size_t next = 0;
    std::size_t first_seen = ticks.size();
    std::size_t last_seen = 0;
    for (std::size_t i = 0; i < ticks.size(); ++i) {
        for (; next + together < ticks.size() && ticks[next].at <= ticks[i].at + half_a_day; ++next) {
            while (!longest.empty() && length_s(longest.back()) <= length_s(next))
                longest.pop_back();
            longest.push_back(next);
        }
        while (!longest.empty() && ticks[longest.front() + together].at < ticks[i].at - half_a_day)
            longest.pop_front();
        const bool is_seen =
            ticks[i].at - ticks.front().at >= half_a_day && ticks.back().at - ticks[i].at >= half_a_day;
        if (longest.empty() || !is_seen) continue;
        const double s = std::max(1.0, length_s(longest.front()));
        const double l_per_h = static_cast<double>(together) * pulse_value_l / s * 3600;
        if (l_per_h >= least_leak_l_per_h) pace[i] = l_per_h;
        last_seen = i;
        first_seen = std::min(first_seen, i);
    }
    // The first and the last half day are taken to be like the day beside them.
    for (std::size_t i = 0; last_seen > 0 && i < ticks.size(); ++i) {
        if (i < first_seen) pace[i] = pace[first_seen];
        if (i > last_seen) pace[i] = pace[last_seen];
    }
    return pace;
}

}  // namespace

std::vector<Draw> take_out_leak(std::vector<TickTime>& ticks, double pulse_value_l,
                                std::span<const Instant> cuts) {
    constexpr double coarsest_l = 2;
    if (pulse_value_l > coarsest_l || ticks.empty() || ticks.back().at - ticks.front().at < hours{24})
        return {};
    const std::vector<double> pace = paces(ticks, pulse_value_l);
    if (std::all_of(pace.begin(), pace.end(), [](double l_per_h) { return l_per_h <= 0; })) return {};
    std::vector<Draw> leaks;
    std::vector<TickTime> others;
    double owed = 0;  // Ticks that the leak made since its last one.
    for (std::size_t i = 0; i < ticks.size(); ++i) {
        const double before_s = i > 0 ? std::max(0.0, seconds_between(ticks[i - 1].at, ticks[i].at)) : 0;
        owed = pace[i] > 0 && !ticks[i].after_gap ? owed + before_s / 3600 * pace[i] / pulse_value_l : 0;
        // A tick that comes a little early is still the leak's: no two pauses are quite alike.
        if (owed < 0.85) {
            others.push_back(ticks[i]);
            continue;
        }
        owed = std::min(owed - 1, 0.5);
        const double l_per_h = pace[i];
        const Instant side_begin = between_cuts(ticks[i].at, cuts).from;
        const bool goes_on = !leaks.empty() && leaks.back().span.to >= side_begin &&
                             ticks[i].at - leaks.back().span.from < hours{24} &&
                             ticks[i].at - leaks.back().span.to < hours{3};
        if (!goes_on) {
            const Instant before = i > 0 ? ticks[i - 1].at : ticks[i].at;
            leaks.push_back({.span = {std::max(before, side_begin), ticks[i].at}, .ticks = 0});
        }
        Draw& leak = leaks.back();
        leak.span.to = ticks[i].at;
        ++leak.ticks;
        leak.mean_flow_l_per_h = leak.peak_flow_l_per_h = l_per_h;
        leak.blur = std::max(leak.blur, ticks[i].window.length());
        leak.label = DrawLabel::leak;
        leak.confidence = 0.9;
    }
    ticks = std::move(others);
    return leaks;
}

}  // namespace tickledger
