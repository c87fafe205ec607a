// What people said of uses, and what that says of uses like them.
#include <algorithm>
#include <chrono>
#include <cmath>

#include "core/draw_labels.hpp"

namespace tickledger {

namespace {

/// How far uses of one kind differ in one house, in the logarithms of volume and flow. Showers at one head
/// differ by 42 % in volume and 16 % in flow (DAIAD open data). The others are from a flat's own meters
/// (WEUSEDTO) and a house of five (CIWS), rounded up.
struct Nearness {
    double volume = 0.5;
    double flow = 0.3;
    double weight = 1;  ///< How much one statement counts against what is known without it.
};

Nearness nearness_of(DrawLabel label) {
    switch (label) {
        case DrawLabel::flush:
            return {0.08, 0.12, 1};
        case DrawLabel::washer:
            return {0.10, 0.12, 1};
        case DrawLabel::shower:
            return {0.45, 0.18, 0.7};
        case DrawLabel::bath:
            return {0.30, 0.25, 0.7};
        case DrawLabel::hose:
            return {0.50, 0.25, 0.5};
        default:
            return {0.40, 0.30, 0.4};
    }
}

/// 0 if the flow is unknown: readings are so far apart that the draw's length is theirs.
double flow_l_per_h_of(const Draw& draw) {
    return draw.blur > std::chrono::seconds{15} ? 0 : draw.mean_flow_l_per_h;
}

/// 1: exactly alike; 0: not alike.
double alike(const ToldDraw& told, const Draw& draw, double pulse_value_l) {
    const Nearness near = nearness_of(told.label);
    const double litres = static_cast<double>(draw.ticks) * pulse_value_l;
    const double told_litres = static_cast<double>(told.volume_ul) / 1e6;
    // One or two ticks may be any use: what they were says nothing of others.
    constexpr double least_ticks = 2.5;
    if (litres <= 0 || told_litres < least_ticks * pulse_value_l) return 0;
    const double grain = 0.4 * pulse_value_l / std::min(litres, told_litres);
    double z = std::pow(std::log(litres / told_litres) / std::hypot(near.volume, grain), 2);
    const double flow = flow_l_per_h_of(draw);
    const double told_flow = static_cast<double>(told.flow_ml_per_h) / 1000;
    const bool is_flow_known = flow > 0 && told_flow > 0;
    if (is_flow_known) z += std::pow(std::log(flow / told_flow) / std::hypot(near.flow, grain), 2);
    // The volume alone is half the evidence.
    return std::exp(-z / 2) * (is_flow_known ? 1 : 0.5);
}

/// What each statement counts. People say what was labelled wrongly. If the house has many uses like it, the
/// others were right, so the statement counts less.
std::vector<double> weights_of(std::span<const ToldDraw> told, const std::vector<Draw>& draws,
                               double pulse_value_l) {
    constexpr double among = 8;
    std::vector<double> weights;
    if (told.empty() || draws.empty()) return weights;
    const auto [first, last] = std::minmax_element(
        told.begin(), told.end(), [](const ToldDraw& a, const ToldDraw& b) { return a.at < b.at; });
    // The statements of a year are compared with the uses of some days.
    const double seen_s =
        std::chrono::duration<double>(draws.back().span.to - draws.front().span.from).count();
    const double told_s = std::chrono::duration<double>(last->at - first->at).count();
    const double as_long = std::max(1.0, told_s / std::max(1.0, seen_s));
    for (const ToldDraw& one : told) {
        double like = 0;
        for (const Draw& draw : draws)
            like += alike(one, draw, pulse_value_l);
        weights.push_back(nearness_of(one.label).weight *
                          std::min(1.0, among / std::max(1e-9, like * as_long)));
    }
    return weights;
}

}  // namespace

void heed_told(std::span<const ToldDraw> told, std::vector<Draw>& draws, std::vector<LabelShares>& shares,
               double pulse_value_l) {
    constexpr double like_enough = 0.4;
    const std::vector<double> weights = weights_of(told, draws, pulse_value_l);
    for (std::size_t i = 0; i < draws.size() && !told.empty(); ++i) {
        double sum = 1;
        double most_alike = like_enough;
        const ToldDraw* namesake = nullptr;
        for (std::size_t k = 0; k < told.size(); ++k) {
            const ToldDraw& one = told[k];
            const double likeness = alike(one, draws[i], pulse_value_l);
            const double weight = likeness * weights[k];
            shares[i].at(static_cast<std::size_t>(one.label)) += weight;
            sum += weight;
            if (likeness <= most_alike) continue;
            most_alike = likeness;
            namesake = &one;
        }
        for (double& share : shares[i])
            share /= sum;
        const auto best = std::max_element(shares[i].begin(), shares[i].end()) - shares[i].begin();
        if (namesake && static_cast<std::ptrdiff_t>(namesake->label) == best) draws[i].name = namesake->name;
    }
}

void mark_told(std::span<const ToldDraw> told, std::vector<Draw>& draws, double pulse_value_l) {
    constexpr double one_use = 2;  // The method may have cut it a little differently since.
    for (const ToldDraw& one : told) {
        Draw* meant = nullptr;
        double least = std::log(one_use);
        for (Draw& draw : draws) {
            if (draw.span.from - draw.blur > one.at || draw.span.to + draw.blur < one.at) continue;
            const double litres = static_cast<double>(draw.ticks) * pulse_value_l;
            const double off = std::abs(std::log(litres / (static_cast<double>(one.volume_ul) / 1e6)));
            if (!(off <= least)) continue;
            least = off;
            meant = &draw;
        }
        if (!meant) continue;
        meant->label = one.label;
        meant->confidence = 1;
        meant->told = true;
        meant->name = one.name;
    }
}

}  // namespace tickledger
