// What a draw was for: published uses first, then the house's own. docs/draws.md describes the method.
#include "core/draw_labels.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <optional>
#include <utility>

#include "core/tick_times.hpp"
#include "tickledger/hours.hpp"

namespace tickledger {

namespace {

constexpr std::array<std::string_view, draw_label_count> names = {"flush", "shower", "tap",  "washer",
                                                                  "bath",  "hose",   "leak", "unknown"};

double seconds_of(Instant t) {
    return std::chrono::duration<double>(t.time_since_epoch()).count();
}

Portion portion_of(const Draw& draw, double pulse_value_l) {
    Portion portion;
    portion.from_s = seconds_of(draw.span.from);
    portion.to_s = seconds_of(draw.span.to);
    portion.litres = static_cast<double>(draw.ticks) * pulse_value_l;
    portion.blur_s = std::chrono::duration<double>(draw.blur).count();
    portion.overlaps = draw.overlaps;
    if (portion.is_coarse() || draw.mean_flow_l_per_h <= 0) return portion;
    portion.l_per_min = draw.mean_flow_l_per_h / 60;
    portion.flow_doubt = 0.5 / static_cast<double>(std::max<std::int64_t>(1, draw.ticks)) +
                         std::min(1.0, portion.blur_s / (portion.to_s - portion.from_s));
    return portion;
}

/// Learns what the labels are like in this house from how its portions were read. Stays near the published
/// values for labels of which it saw little.
void learn(std::vector<Kind>& kinds, const Division& division, const std::vector<Portion>& portions,
           double days) {
    const std::vector<Kind> known = published_kinds();
    const bool has_cistern = std::any_of(kinds.begin(), kinds.end(), [](const Kind& kind) {
        return kind.is_learned && kind.label == DrawLabel::flush && kind.a_day >= 1;
    });
    for (std::size_t k = 0; k < kinds.size(); ++k) {
        Kind& kind = kinds[k];
        if (kind.label == DrawLabel::unknown) continue;
        // Hoses and baths are rare and vary widely: what looks like one of them teaches nothing about them.
        const bool is_rare = kind.label == DrawLabel::hose || kind.label == DrawLabel::bath;
        double n = 0, sum_v = 0, sum_vv = 0, flows = 0, sum_f = 0, sum_ff = 0;
        for (const Grouping& group : division.groups) {
            if (group.kind != k) continue;
            double litres = 0, run_s = 0;
            for (std::size_t i = group.first; i <= group.last; ++i) {
                litres += portions[i].litres;
                run_s += portions[i].to_s - portions[i].from_s;
            }
            ++n;
            sum_v += std::log(litres), sum_vv += std::pow(std::log(litres), 2);
            const Portion& first = portions[group.first];
            if (first.is_coarse() ? group.last < group.first + 3
                                  : (first.l_per_min <= 0 && group.first == group.last))
                continue;
            if (run_s <= 0) continue;  // All at one moment: no flow is known.
            const double l_per_min = litres / run_s * 60;
            ++flows;
            sum_f += std::log(l_per_min), sum_ff += std::pow(std::log(l_per_min), 2);
        }
        const double as_many = 2;
        if (kind.is_learned) {
            kind.a_day = (n + 1) / days;
            continue;
        }
        const Kind* published = &known[k];  // Learned kinds come after the published ones.
        if (is_rare) {
            kind.a_day = (n + 7 * published->a_day) / (days + 7);
            continue;
        }
        const auto shrunk = [](const Bell& bell, double count, double sum, double squares, double as_if) {
            const double middle = (sum + as_if * bell.middle) / (count + as_if);
            const double variance =
                (squares - 2 * middle * sum + count * middle * middle + as_if * bell.spread * bell.spread) /
                (count + as_if);
            // One house varies less than all houses together.
            return Bell{std::clamp(middle, bell.middle - 1.2 * bell.spread, bell.middle + 1.2 * bell.spread),
                        std::min(std::sqrt(std::max(variance, 1e-4)), bell.spread)};
        };
        kind.a_day = (n + as_many * published->a_day) / (days + as_many);
        if (kind.label == DrawLabel::flush && has_cistern) kind.a_day = std::min(kind.a_day, 0.5);
        kind.litres = shrunk(published->litres, n, sum_v, sum_vv, 8);
        kind.l_per_min = shrunk(published->l_per_min, flows, sum_f, sum_ff, 4);
    }
}

/// Lone ticks at one pace, with nothing else between them, are a trickle and not a use.
void mark_trickles(std::vector<Draw>& draws) {
    constexpr std::size_t in_a_row = 4;
    constexpr double one_pace = 0.25;
    std::size_t begin = 0;
    const auto middle = [&](std::size_t i) { return draws[i].span.from + draws[i].span.length() / 2; };
    for (std::size_t i = 1; i <= draws.size(); ++i) {
        const bool goes_on = i < draws.size() && draws[i].ticks == 1 && draws[i - 1].ticks == 1;
        if (goes_on && i - begin >= 2) {
            const auto pace = std::chrono::duration<double>(middle(i - 1) - middle(begin)).count() /
                              static_cast<double>(i - 1 - begin);
            const auto pause = std::chrono::duration<double>(middle(i) - middle(i - 1)).count();
            if (std::abs(pause - pace) <= one_pace * pace) continue;
        } else if (goes_on) {
            continue;
        }
        for (std::size_t k = begin; i - begin >= in_a_row && k < i; ++k) {
            draws[k].label = DrawLabel::leak;
            draws[k].confidence = 1 - 1 / static_cast<double>(i - begin);
        }
        begin = i;
    }
}

/// Adds a piece of the same use, or another fill of the same machine.
void add_to(Draw& use, const Draw& piece) {
    use.ticks += piece.ticks;
    use.parts += piece.parts - (piece.span.from > use.span.to ? 0 : 1);
    use.span = {std::min(use.span.from, piece.span.from), std::max(use.span.to, piece.span.to)};
    use.blur = std::max(use.blur, piece.blur);
    use.overlaps = use.overlaps || piece.overlaps;
    use.told = use.told || piece.told;
    if (use.name.empty()) use.name = piece.name;
    use.peak_flow_l_per_h = std::max(use.peak_flow_l_per_h, piece.peak_flow_l_per_h);
}

/// One draw of several pieces. Its flow is that of the running water, without the pauses. A piece of one span
/// has no flow of its own, but several of them show one.
Draw joined(const std::vector<Draw>& pieces, std::size_t first, std::size_t last, double pulse_value_l) {
    Draw use = pieces[first];
    double run_h = hours_of(use.span.length());
    for (std::size_t i = first + 1; i <= last; ++i) {
        add_to(use, pieces[i]);
        run_h += hours_of(pieces[i].span.length());
    }
    if (first < last && run_h > 0) {
        use.mean_flow_l_per_h = static_cast<double>(use.ticks) * pulse_value_l / run_h;
        use.peak_flow_l_per_h = std::max(use.peak_flow_l_per_h, use.mean_flow_l_per_h);
    }
    return use;
}

/// Joins the fills of one machine into one use, in the place of the first of them.
void join_fills(std::vector<Draw>& draws, std::span<const Instant> cuts) {
    constexpr Duration longest_pause = std::chrono::minutes{50};
    constexpr Duration longest_cycle = std::chrono::hours{4};
    std::vector<Draw> uses;
    std::optional<std::size_t> machine;
    for (const Draw& draw : draws) {
        const bool is_fill = draw.label == DrawLabel::washer;
        if (is_fill && machine && draw.span.from - uses[*machine].span.to <= longest_pause &&
            draw.span.to - uses[*machine].span.from <= longest_cycle &&
            uses[*machine].span.from >= between_cuts(draw.span.from, cuts).from) {
            Draw& cycle = uses[*machine];
            const auto before = static_cast<double>(cycle.ticks);
            const auto fill = static_cast<double>(draw.ticks);
            cycle.confidence = (cycle.confidence * before + draw.confidence * fill) / (before + fill);
            cycle.mean_flow_l_per_h =
                (cycle.mean_flow_l_per_h * before + draw.mean_flow_l_per_h * fill) / (before + fill);
            add_to(cycle, draw);
            continue;
        }
        if (is_fill) machine = uses.size();
        uses.push_back(draw);
    }
    draws = std::move(uses);
}

}  // namespace

std::string_view name_of(DrawLabel label) {
    return names.at(static_cast<std::size_t>(label));
}

std::optional<DrawLabel> draw_label_named(std::string_view name) {
    const auto found = std::find(names.begin(), names.end(), name);
    if (found == names.end()) return std::nullopt;
    return static_cast<DrawLabel>(found - names.begin());
}

UsesSeen join_uses(std::vector<Draw>& draws, double pulse_value_l, std::span<const Instant> cuts) {
    if (draws.empty()) return {};
    std::vector<Portion> portions;
    portions.reserve(draws.size());
    for (const Draw& draw : draws) {
        portions.push_back(portion_of(draw, pulse_value_l));
        portions.back().cut_before = between_cuts(draw.span.from, cuts).from;
    }
    const double days = std::max(1.0, (portions.back().to_s - portions.front().from_s) / 86400);
    std::vector<Kind> kinds = published_kinds();
    const auto recurring = recurring_kinds(portions, pulse_value_l);
    kinds.insert(kinds.end(), recurring.begin(), recurring.end());
    std::vector<bool> is_fill(draws.size(), false);
    Division division;
    for (int round = 0; round < 3; ++round) {
        division = read_uses(portions, kinds, is_fill, pulse_value_l);
        std::vector<bool> may_be(draws.size(), true);
        for (const Grouping& group : division.groups) {
            if (kinds[group.kind].label == DrawLabel::flush && kinds[group.kind].is_learned)
                may_be[group.first] = false;
            if (kinds[group.kind].label == DrawLabel::shower)
                for (std::size_t i = group.first; i <= group.last; ++i)
                    may_be[i] = false;
        }
        is_fill = fills_of_machines(portions, may_be);
        if (round < 2) learn(kinds, division, portions, days);
    }
    UsesSeen seen = uses_seen(portions, kinds, division, pulse_value_l);
    std::vector<Draw> uses;
    for (const Grouping& group : division.groups)
        uses.push_back(joined(draws, group.first, group.last, pulse_value_l));
    draws = std::move(uses);
    return seen;
}

void label_draws(std::vector<Draw>& draws, double pulse_value_l, const DrawHints& hints) {
    label_draws_by(taught_namer(), draws, pulse_value_l, hints);
}

void label_draws_by(const Namer& namer, std::vector<Draw>& draws, double pulse_value_l,
                    const DrawHints& hints) {
    // A known leak is not one of the uses.
    const auto leaks = std::stable_partition(draws.begin(), draws.end(),
                                             [](const Draw& draw) { return draw.label != DrawLabel::leak; });
    const std::vector<Draw> leaked(leaks, draws.end());
    draws.erase(leaks, draws.end());
    UsesSeen seen = join_uses(draws, pulse_value_l, hints.cuts);
    std::vector<LabelShares> shares = shares_of(seen, namer, hints.uses);
    heed_told(hints.told, draws, shares, pulse_value_l);
    for (std::size_t i = 0; i < draws.size(); ++i) {
        const auto best = std::max_element(shares[i].begin(), shares[i].end());
        draws[i].label = static_cast<DrawLabel>(best - shares[i].begin());
        draws[i].confidence = std::clamp(*best, 0.01, 1.0);
    }
    mark_trickles(draws);
    mark_told(hints.told, draws, pulse_value_l);
    join_fills(draws, hints.cuts);
    // People also label a machine's whole cycle.
    mark_told(hints.told, draws, pulse_value_l);
    draws.insert(draws.end(), leaked.begin(), leaked.end());
    std::stable_sort(draws.begin(), draws.end(),
                     [](const Draw& a, const Draw& b) { return a.span < b.span; });
}

}  // namespace tickledger
