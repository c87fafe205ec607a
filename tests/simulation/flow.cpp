#include "simulation/flow.hpp"

#include <algorithm>
#include <cmath>

#include "simulation/chance.hpp"

namespace tickledger::simulation {

namespace {

constexpr std::int64_t us_per_s = 1'000'000;
constexpr double ul_per_l = 1e6;

struct FlowChange {
    Instant at{};
    std::int64_t by_ul_per_s = 0;
};

std::vector<FlowChange> changes_of(const std::vector<Draw>& draws) {
    std::vector<FlowChange> changes;
    changes.reserve(draws.size() * 2);
    for (const Draw& draw : draws) {
        changes.push_back({draw.span.from, draw.flow_ul_per_s});
        changes.push_back({draw.span.to, -draw.flow_ul_per_s});
    }
    std::sort(changes.begin(), changes.end(),
              [](const FlowChange& a, const FlowChange& b) { return a.at < b.at; });
    return changes;
}

}  // namespace

double Draw::volume_l() const {
    return static_cast<double>(flow_ul_per_s) * static_cast<double>(span.length().count()) /
           (ul_per_l * static_cast<double>(us_per_s));
}

std::int64_t flow_of_l_per_min(double l_per_min) {
    return std::llround(l_per_min * ul_per_l / 60);
}

std::int64_t flow_of_l_per_h(double l_per_h) {
    return std::llround(l_per_h * ul_per_l / 3600);
}

Draw draw_of(Use use, Instant from, double volume_l, double flow_l_per_min) {
    const auto length = Duration{std::llround(volume_l / flow_l_per_min * 60e6)};
    return {{from, from + length}, flow_of_l_per_min(flow_l_per_min), use};
}

Draw leak(Span span, double flow_l_per_h) {
    return {span, flow_of_l_per_h(flow_l_per_h), Use::leak};
}

std::vector<Draw> wandering_leak(Span span, double flow_l_per_h, double wander, std::uint64_t seed) {
    Chance chance(seed);
    std::vector<Draw> draws;
    for (Instant from = span.from; from < span.to;) {
        const Instant to = std::min<Instant>(from + std::chrono::hours{1}, span.to);
        draws.push_back(leak({from, to}, flow_l_per_h * chance.between(1 - wander, 1 + wander)));
        from = to;
    }
    return draws;
}

std::vector<Instant> ticks_of(const std::vector<Draw>& draws, std::int64_t pulse_value_ul,
                              std::int64_t volume_before_ul) {
    // A flow in microlitres a second times microseconds gives picolitres.
    const std::int64_t pulse_value_pl = pulse_value_ul * us_per_s;
    std::int64_t volume_pl = volume_before_ul * us_per_s;
    std::int64_t flow = 0;
    Instant now{};
    std::vector<Instant> ticks;
    for (const FlowChange& change : changes_of(draws)) {
        if (flow > 0) {
            const std::int64_t volume_at_start_pl = volume_pl;
            volume_pl += flow * (change.at - now).count();
            for (std::int64_t tick_at_pl = pulse_value_pl; volume_pl >= pulse_value_pl;
                 tick_at_pl += pulse_value_pl, volume_pl -= pulse_value_pl) {
                const std::int64_t missing_pl = tick_at_pl - volume_at_start_pl;
                ticks.push_back(now + Duration{(missing_pl + flow - 1) / flow});
            }
        }
        flow += change.by_ul_per_s;
        now = change.at;
    }
    return ticks;
}

}  // namespace tickledger::simulation
