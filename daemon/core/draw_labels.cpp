// What a draw was for: published end uses first, then the house's own recurring uses.
//
// Each label has a bell curve over the logarithms of volume and flow, about what surveys of end uses found.
// The house then sharpens three of them: its cistern refills with the same volume at the same flow many times
// a day, its shower runs at one flow, its machines fill several times within an hour. The label with the
// greatest product of frequency and curve wins; its share of the sum of all is the confidence.

#include <algorithm>
#include <array>
#include <cmath>
#include <optional>

#include "tickledger/draw.hpp"
#include "tickledger/hours.hpp"

namespace tickledger {

namespace {

constexpr std::array<std::string_view, draw_label_count> names = {"flush", "shower", "tap",  "washer",
                                                                  "bath",  "hose",   "leak", "unknown"};

/// A bell curve over volume and flow, on logarithmic scales.
struct Curve {
    double frequency;  ///< Draws of the label a person and day.
    double volume_l;
    double volume_spread;
    double flow_l_per_h;
    double flow_spread;
};

// Volumes, flows and frequencies: CCW (UK), flush 5 L, older 9 L; shower 5, 8 and 13 L/min; bath 80 L;
// washing machine 50 L and dishwasher 14 L, each in several fills; hose 250 L a car. Residential End Uses of
// Water, version 2 (2016), second-hand: 0.69 showers of 7.8 min a person and day, 5 flushes (from memory).
// Spreads, and the flows of taps, cisterns and inlet valves: common practice, no source.
constexpr std::array<Curve, draw_label_count> published = {{
    {5.0, 5.5, 0.35, 360, 0.35},  // flush
    {0.69, 55, 0.55, 490, 0.45},  // shower
    {10.0, 1.3, 0.9, 270, 0.4},   // tap
    {0.6, 9, 0.5, 480, 0.3},      // washer: a machine's fills, seen once its others are
    {0.06, 80, 0.25, 720, 0.25},  // bath
    {0.1, 150, 1.0, 660, 0.35},   // hose
    {0, 1, 1, 1, 1},              // leak: told by its pace, not by a curve
    {0.02, 10, 3.0, 300, 3.0},    // unknown: whatever none of them explains
}};

/// A use that recurs in this house: the middle of many draws, and how far they spread.
struct Mode {
    double volume_l = 0;
    double flow_l_per_h = 0;
};

double volume_of(const Draw& draw, double pulse_value_l) {
    return static_cast<double>(draw.ticks) * pulse_value_l;
}

/// How far the logarithm of a flow may be off: a tick more or less at each end, and the blur of the times.
double flow_doubt(const Draw& draw) {
    const double blur =
        std::chrono::duration<double>(draw.blur) / std::chrono::duration<double>(draw.span.length());
    return 0.5 / static_cast<double>(std::max<std::int64_t>(1, draw.ticks)) + std::min(1.0, blur);
}

bool has_flow(const Draw& draw) {
    return draw.mean_flow_l_per_h > 0;
}

bool are_alike(const Draw& a, const Draw& b, double pulse_value_l) {
    const double difference_l = std::abs(volume_of(a, pulse_value_l) - volume_of(b, pulse_value_l));
    const double doubt = 0.04 + 0.3 * std::max(flow_doubt(a), flow_doubt(b));
    return has_flow(a) && has_flow(b) &&
           difference_l <= 1.01 * pulse_value_l + 0.08 * volume_of(a, pulse_value_l) &&
           std::abs(std::log(a.mean_flow_l_per_h / b.mean_flow_l_per_h)) <= doubt;
}

double median(std::vector<double> values) {
    const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
    std::nth_element(values.begin(), middle, values.end());
    return *middle;
}

/// What was learned of the house.
class Habits {
public:
    Habits(const std::vector<Draw>& draws, double pulse_value_l) : pulse_value_l_(pulse_value_l) {
        find_fills(draws);
        learn_cistern(draws);
        learn_shower(draws);
    }

    /// The logarithm of how much speaks for a label.
    [[nodiscard]] double score(const Draw& draw, std::size_t index, DrawLabel label) const {
        Curve curve = published.at(static_cast<std::size_t>(label));
        double bonus = 0;
        if (label == DrawLabel::flush && cistern_) {
            curve.volume_l = cistern_->volume_l;
            curve.flow_l_per_h = cistern_->flow_l_per_h;
            curve.volume_spread = 0.12;
            curve.flow_spread = 0.08;
        }
        if (label == DrawLabel::shower && shower_) {
            curve.flow_l_per_h = shower_->flow_l_per_h;
            curve.flow_spread = 0.06;
        }
        // A machine is known by its other fills: few draws have such companions by chance.
        if (label == DrawLabel::washer) bonus = is_fill_[index] ? 3 : -4;
        return log_density(draw, curve) + bonus;
    }

private:
    [[nodiscard]] double log_density(const Draw& draw, const Curve& curve) const {
        const double volume_l = volume_of(draw, pulse_value_l_);
        // A tick more or less is the meter's doubt, not the house's.
        const double volume_spread = std::hypot(curve.volume_spread, 0.5 * pulse_value_l_ / volume_l);
        const double flow_spread = std::hypot(curve.flow_spread, flow_doubt(draw));
        double log = std::log(curve.frequency) - std::log(volume_spread);
        log -= std::pow(std::log(volume_l / curve.volume_l) / volume_spread, 2) / 2;
        if (!has_flow(draw)) return log;
        log -= std::log(flow_spread);
        return log - std::pow(std::log(draw.mean_flow_l_per_h / curve.flow_l_per_h) / flow_spread, 2) / 2;
    }

    /// Fills of machines: three or more draws alike, one after the other within minutes.
    void find_fills(const std::vector<Draw>& draws) {
        constexpr Duration shortest = std::chrono::minutes{6};
        constexpr Duration longest = std::chrono::minutes{35};
        is_fill_.assign(draws.size(), false);
        for (std::size_t i = 0; i < draws.size(); ++i) {
            std::vector<std::size_t> fills{i};
            for (std::size_t j = i + 1; j < draws.size(); ++j) {
                const Duration apart = draws[j].span.from - draws[fills.back()].span.from;
                if (apart > longest) break;
                if (apart >= shortest && may_fill(draws[i]) &&
                    are_alike(draws[fills.back()], draws[j], pulse_value_l_))
                    fills.push_back(j);
            }
            if (fills.size() < 3) continue;
            for (const std::size_t fill : fills)
                is_fill_[fill] = true;
        }
    }

    [[nodiscard]] bool may_fill(const Draw& draw) const {
        const double volume_l = volume_of(draw, pulse_value_l_);
        return volume_l >= 3 && volume_l <= 30;
    }

    /// The draws that most others are like.
    template <typename Candidates, typename Alike>
    [[nodiscard]] std::optional<Mode> densest(const std::vector<Draw>& draws, Candidates is_candidate,
                                              Alike alike, std::size_t at_least) const {
        std::vector<const Draw*> candidates;
        for (std::size_t i = 0; i < draws.size(); ++i) {
            if (!is_fill_[i] && is_candidate(draws[i])) candidates.push_back(&draws[i]);
        }
        // Each is compared with each: the newest thousand tell a house's habits.
        constexpr std::size_t enough = 1000;
        if (candidates.size() > enough) candidates.erase(candidates.begin(), candidates.end() - enough);
        std::vector<const Draw*> best;
        for (const Draw* middle : candidates) {
            std::vector<const Draw*> near;
            std::copy_if(candidates.begin(), candidates.end(), std::back_inserter(near),
                         [&](const Draw* other) { return alike(*middle, *other); });
            if (near.size() > best.size()) best = std::move(near);
        }
        if (best.size() < at_least) return std::nullopt;
        std::vector<double> volumes_l;
        std::vector<double> flows_l_per_h;
        for (const Draw* draw : best) {
            volumes_l.push_back(volume_of(*draw, pulse_value_l_));
            flows_l_per_h.push_back(draw->mean_flow_l_per_h);
        }
        return Mode{median(std::move(volumes_l)), median(std::move(flows_l_per_h))};
    }

    void learn_cistern(const std::vector<Draw>& draws) {
        const auto may_be = [&](const Draw& draw) {
            const double volume_l = volume_of(draw, pulse_value_l_);
            return has_flow(draw) && !draw.overlaps && volume_l >= 3 && volume_l <= 14;
        };
        const auto alike = [&](const Draw& a, const Draw& b) { return are_alike(a, b, pulse_value_l_); };
        cistern_ = densest(draws, may_be, alike, 6);
    }

    void learn_shower(const std::vector<Draw>& draws) {
        const auto may_be = [&](const Draw& draw) {
            const double minutes = hours_of(draw.span.length()) * 60;
            return has_flow(draw) && volume_of(draw, pulse_value_l_) >= 15 && minutes >= 2 && minutes <= 20;
        };
        const auto alike = [](const Draw& a, const Draw& b) {
            return std::abs(std::log(a.mean_flow_l_per_h / b.mean_flow_l_per_h)) <= 0.06;
        };
        shower_ = densest(draws, may_be, alike, 4);
    }

    double pulse_value_l_;
    std::vector<bool> is_fill_;
    std::optional<Mode> cistern_;
    std::optional<Mode> shower_;
};

/// Lone ticks at one pace, with nothing else between them, are no use but a trickle.
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

}  // namespace

std::string_view name_of(DrawLabel label) {
    return names.at(static_cast<std::size_t>(label));
}

std::optional<DrawLabel> draw_label_named(std::string_view name) {
    const auto found = std::find(names.begin(), names.end(), name);
    if (found == names.end()) return std::nullopt;
    return static_cast<DrawLabel>(found - names.begin());
}

void label_draws(std::vector<Draw>& draws, double pulse_value_l) {
    // Volume and flow of a use go together, so taking them for independent makes too sure: the curves count
    // for so much less that the confidence is about the share that is right.
    constexpr double caution = 0.6;
    const Habits habits(draws, pulse_value_l);
    for (std::size_t i = 0; i < draws.size(); ++i) {
        double sum = 0;
        double best = 0;
        for (int number = 0; number < draw_label_count; ++number) {
            const auto label = static_cast<DrawLabel>(number);
            if (label == DrawLabel::leak) continue;
            const double weight = std::exp(caution * habits.score(draws[i], i, label));
            sum += weight;
            if (weight <= best) continue;
            best = weight;
            draws[i].label = label;
        }
        draws[i].confidence = sum > 0 ? best / sum : 0;
    }
    mark_trickles(draws);
}

}  // namespace tickledger
