// The uses that recur in a house, and the published ones to start from.
#include <algorithm>
#include <cmath>
#include <utility>

#include "core/draw_labels.hpp"
#include "core/quantile.hpp"

namespace tickledger {

namespace {

double ln(double x) {
    return std::log(x);
}

/// Water with nothing right before and after it.
struct Burst {
    double litres = 0;
    double l_per_min = 0;         ///< 0: unknown.
    double coarse_l_per_min = 0;  ///< From its whole readings; 0 if there are too few.
};

/// The flow of the readings between the first and the last. Those two may be filled only in part.
double flow_inside(const std::vector<Portion>& portions, std::size_t first, std::size_t end) {
    std::vector<double> flows;
    for (std::size_t i = first + 1; i + 1 < end; ++i)
        flows.push_back(portions[i].litres / portions[i].blur_s * 60);
    return median(flows);
}

std::vector<Burst> bursts_of(const std::vector<Portion>& portions) {
    constexpr double apart_s = 8;
    // A cistern whose valve is half closed refills for eight minutes.
    constexpr double longest_s = 600;
    constexpr std::size_t most_pieces = 6;
    std::vector<Burst> bursts;
    for (std::size_t i = 0; i < portions.size();) {
        std::size_t end = i + 1;
        double to_s = portions[i].to_s;
        double litres = portions[i].litres;
        double run_s = portions[i].to_s - portions[i].from_s;
        while (end < portions.size() && portions[end].from_s - to_s <= apart_s) {
            to_s = std::max(to_s, portions[end].to_s);
            litres += portions[end].litres;
            run_s += portions[end].to_s - portions[end].from_s;
            ++end;
        }
        const bool is_coarse = portions[i].is_coarse();
        if (is_coarse ? run_s <= longest_s : end - i <= most_pieces) {
            const bool has_flow = !is_coarse && (end - i > 1 || portions[i].l_per_min > 0);
            bursts.push_back({litres, has_flow && run_s > 0 ? litres / run_s * 60 : 0,
                              is_coarse && end - i >= 4 ? flow_inside(portions, i, end) : 0});
        }
        // If several pieces ran at once, each of them may be the cistern's.
        for (std::size_t k = i; end - i > 1 && k < end; ++k) {
            if (!portions[k].is_coarse()) bursts.push_back({portions[k].litres, portions[k].l_per_min, 0});
        }
        i = end;
    }
    return bursts;
}

/// The same volume and, if known, the same flow, within some times the usual tolerance.
bool are_near(const Burst& a, const Burst& b, double times, double pulse_value_l) {
    const double off = std::abs(b.litres - a.litres);
    const bool has_flows = a.l_per_min > 0 && b.l_per_min > 0;
    if (off > times * ((has_flows ? 1.05 : 0.55) * pulse_value_l + 0.04 * a.litres)) return false;
    if (!has_flows) return a.l_per_min <= 0 && b.l_per_min <= 0;
    return std::abs(ln(a.l_per_min / b.l_per_min)) <= times * (0.07 + 0.3 * pulse_value_l / a.litres);
}

/// The burst with the most others of its volume and flow, compared with those a little off. Null: no volume
/// recurs.
const Burst* most_recurrent(const std::vector<Burst>& bursts, double pulse_value_l) {
    double best_excess = 0;
    const Burst* best = nullptr;
    for (const Burst& middle : bursts) {
        if (middle.litres < std::max(2.5, 2.5 * pulse_value_l) || middle.litres > 75) continue;
        double inside = 0, around = 0;
        for (const Burst& other : bursts) {
            if (are_near(middle, other, 1, pulse_value_l))
                ++inside;
            else if (are_near(middle, other, 3, pulse_value_l))
                ++around;
        }
        // Evenly spread water would put this many inside.
        const double by_chance = around / (middle.l_per_min > 0 ? 6 : 2);
        const double excess = (inside - by_chance) / std::sqrt(by_chance + 2);
        if (excess > best_excess && inside >= 5 && inside >= (middle.l_per_min > 0 ? 2.2 : 1.6) * by_chance) {
            best_excess = excess;
            best = &middle;
        }
    }
    return best_excess < 2.6 ? nullptr : best;
}

Bell bell_of(const std::vector<double>& values, double least_spread, double most_spread) {
    const double middle = median(values);
    double squares = 0;
    for (const double value : values)
        squares += std::pow(ln(value / middle), 2);
    return {ln(middle),
            std::clamp(std::sqrt(squares / static_cast<double>(values.size())), least_spread, most_spread)};
}

/// The kind of these bursts of one volume and flow. Precondition: there is at least one.
Kind kind_of(const std::vector<Burst>& bursts, bool is_flow_rough, double days) {
    std::vector<double> litres, flows;
    for (const Burst& burst : bursts) {
        litres.push_back(burst.litres);
        const double l_per_min = std::max(burst.l_per_min, burst.coarse_l_per_min);
        if (l_per_min > 0) flows.push_back(l_per_min);
    }
    // Most fills of a fast cistern are within two or three readings and show no flow.
    if (is_flow_rough && flows.size() * 2 < litres.size()) flows.clear();
    return {.label = DrawLabel::flush,
            .a_day = static_cast<double>(litres.size()) / days,
            .litres = bell_of(litres, 0.03, 0.2),
            .l_per_min = flows.empty()
                             ? Bell{ln(7), 0.6}
                             : bell_of(flows, is_flow_rough ? 0.15 : 0.05, is_flow_rough ? 0.4 : 0.15),
            .join = -1.0,
            .closes = -6,
            .wavers = {0.70, 0.25, 0.05},
            .drops = 0.03,
            .longest_gap_s = 15,
            .longest_s = 900,
            .most_pieces = 12,
            .is_learned = true};
}

/// The most frequent kind is a cistern's. So is any that recurs nearly as often, or at the same flow. The
/// others are fills of machines.
void mark_machines(std::vector<Kind>& kinds) {
    const auto frequent = std::max_element(kinds.begin(), kinds.end(), [](const Kind& a, const Kind& b) {
        return (a.litres.middle < ln(17) ? a.a_day : 0) < (b.litres.middle < ln(17) ? b.a_day : 0);
    });
    for (Kind& kind : kinds) {
        const bool flows_alike = std::abs(kind.l_per_min.middle - frequent->l_per_min.middle) <= 0.2;
        const double often = kind.a_day / frequent->a_day;
        if (kind.litres.middle > ln(17) || kind.a_day < 0.9 || often < (flows_alike ? 0.2 : 0.4))
            kind.label = DrawLabel::washer;
    }
}

}  // namespace

// Volumes: showers from 3 757 showers at 56 heads (DAIAD open data); taps from a flat's own meters (WEUSEDTO)
// and a house of five (CIWS); cisterns 3 to 13 L. Frequencies a household and day: household surveys, see
// docs/draws.md.
std::vector<Kind> published_kinds() {
    return {
        {.label = DrawLabel::flush,
         .a_day = 8,
         .litres = {ln(7.5), 0.40},
         .l_per_min = {ln(7), 0.50},
         .join = -1.0,
         .closes = -6,
         .wavers = {0.60, 0.35, 0.05},
         .drops = 0.03,
         .longest_gap_s = 20,
         .longest_s = 600,
         .most_pieces = 6},
        {.label = DrawLabel::shower,
         .a_day = 1.5,
         .litres = {ln(30), 0.65},
         .l_per_min = {ln(6.0), 0.42},
         .join = -0.7,
         .closes = -1.5,
         .wavers = {0.30, 0.50, 0.20},
         .drops = 0.12,
         .longest_gap_s = 90,
         .longest_s = 2400,
         .most_pieces = 60},
        {.label = DrawLabel::tap,
         .a_day = 35,
         .litres = {ln(0.9), 1.10},
         .l_per_min = {ln(3.0), 0.50},
         .join = -0.7,
         .closes = -4,
         .wavers = {0.10, 0.30, 0.60},
         .drops = 0.40,
         .longest_gap_s = 8,
         .longest_s = 600,
         .most_pieces = 6},
        {.label = DrawLabel::tap,
         .a_day = 2.5,
         .litres = {ln(6), 0.70},
         .l_per_min = {ln(2.8), 0.45},
         .join = -0.7,
         .closes = -1.5,
         .wavers = {0.05, 0.25, 0.70},
         .drops = 0.40,
         .longest_gap_s = 60,
         .longest_s = 1800,
         .most_pieces = 40},
        {.label = DrawLabel::washer,
         .a_day = 2.5,
         .litres = {ln(7), 0.60},
         .l_per_min = {ln(6), 0.50},
         .join = -1.0,
         .closes = -3,
         .wavers = {0.80, 0.15, 0.05},
         .drops = 0.15,
         .longest_gap_s = 40,
         .longest_s = 400,
         .most_pieces = 8},
        {.label = DrawLabel::bath,
         .a_day = 0.02,
         .litres = {ln(90), 0.25},
         .l_per_min = {ln(11), 0.25},
         .join = -1.0,
         .closes = -6,
         .wavers = {0.60, 0.35, 0.05},
         .drops = 0.03,
         .longest_gap_s = 10,
         .longest_s = 1800,
         .most_pieces = 30},
        {.label = DrawLabel::hose,
         .a_day = 0.06,
         .litres = {ln(70), 0.80},
         .l_per_min = {ln(13), 0.35},
         .join = -1.0,
         .closes = -3,
         .wavers = {0.50, 0.35, 0.15},
         .drops = 0.06,
         .longest_gap_s = 30,
         .longest_s = 5400,
         .most_pieces = 60},
        {.label = DrawLabel::unknown,
         .a_day = 0.02,
         .litres = {ln(10), 3.0},
         .l_per_min = {ln(5), 3.0},
         .join = -3.0,
         .closes = -6,
         .wavers = {0.1, 0.2, 0.7},
         .drops = 0.5,
         .longest_gap_s = 0,
         .longest_s = 0,
         .most_pieces = 1},
    };
}

std::vector<Kind> recurring_kinds(const std::vector<Portion>& portions, double pulse_value_l) {
    if (portions.empty()) return {};
    constexpr std::size_t most_kinds = 7;
    const double days = std::max(1.0, (portions.back().to_s - portions.front().from_s) / 86400);
    std::vector<Burst> bursts = bursts_of(portions);
    std::vector<Kind> kinds;
    while (kinds.size() < most_kinds) {
        const Burst* found = most_recurrent(bursts, pulse_value_l);
        if (!found) break;
        const Burst middle = *found;
        std::vector<Burst> of_kind, others;
        for (const Burst& burst : bursts)
            (are_near(middle, burst, 1, pulse_value_l) ? of_kind : others).push_back(burst);
        kinds.push_back(kind_of(of_kind, middle.l_per_min <= 0, days));
        bursts = std::move(others);
    }
    mark_machines(kinds);
    return kinds;
}

std::vector<bool> fills_of_machines(const std::vector<Portion>& portions, const std::vector<bool>& may_be) {
    constexpr double longest_apart_s = 3000;
    constexpr double longest_cycle_s = 3 * 3600;
    std::vector<bool> is_fill(portions.size(), false);
    const auto is_candidate = [&](std::size_t i) {
        const Portion& p = portions[i];
        return may_be[i] && p.l_per_min > 0 && p.litres >= 2 && p.litres <= 30 && p.flow_doubt < 0.35;
    };
    for (std::size_t i = 0; i < portions.size(); ++i) {
        if (!is_candidate(i)) continue;
        std::vector<std::size_t> fills{i};
        int beside = 0;
        for (std::size_t k = i + 1; k < portions.size(); ++k) {
            if (portions[k].from_s - portions[i].from_s > longest_cycle_s) break;
            if (portions[k].from_s - portions[fills.back()].to_s > longest_apart_s) break;
            if (!is_candidate(k)) continue;
            const double doubt = 0.06 + 0.6 * std::hypot(portions[k].flow_doubt, portions[i].flow_doubt);
            if (std::abs(ln(portions[k].l_per_min / portions[i].l_per_min)) <= doubt) {
                fills.push_back(k);
            } else {
                ++beside;
            }
        }
        const double span_s = portions[fills.back()].from_s - portions[i].from_s;
        double litres = 0;
        for (const std::size_t fill : fills)
            litres += portions[fill].litres;
        if (fills.size() < 3 || span_s < 900 || litres < 9 || static_cast<std::size_t>(beside) > fills.size())
            continue;
        for (const std::size_t fill : fills)
            is_fill[fill] = true;
    }
    return is_fill;
}

}  // namespace tickledger
