// Divides the portions of water among uses: weighs all divisions and returns the best.
#include <algorithm>
#include <cmath>

#include "core/draw_labels.hpp"

namespace tickledger {

namespace {

constexpr double nothing = -1e300;

double log_sum(double a, double b) {
    if (a < b) std::swap(a, b);
    return b <= nothing / 2 ? a : a + std::log1p(std::exp(b - a));
}

/// The spread of the flow's logarithm if it is steady, wavers, or is unsteady.
constexpr std::array<double, 3> waver_spreads = {0.05, 0.15, 0.40};

double log_bell(double off, double spread) {
    const double z = std::abs(off / spread);
    // Real uses have heavier tails than a bell: beyond three spreads the curve falls like a straight line.
    return -std::log(spread * 2.5066) - (z <= 3 ? z * z / 2 : 3 * z - 4.5);
}

/// How probable it is that consecutive portions are one use. Everything is a density per litre of each
/// portion, so that one use of many portions can be compared with many uses of one portion each.
class Weigher {
public:
    Weigher(const std::vector<Portion>& portions, const std::vector<bool>& is_fill, double pulse_value_l)
        : portions_(portions), is_fill_(is_fill), pulse_value_l_(pulse_value_l) {}

    [[nodiscard]] double weigh(const Kind& kind, std::size_t first, std::size_t last, double litres) const {
        const bool coarse = portions_[first].is_coarse();
        const double s = coarse ? portions_[first].blur_s : begins_within_s;
        double log = std::log(kind.a_day * in_company * s / 86400) + log_of_volume(kind, litres, coarse) -
                     std::log(litres);
        if (kind.label == DrawLabel::washer && !kind.is_learned) log += is_fill_[first] ? fill : no_fill;
        return log +
               (coarse ? coarse_course(kind, first, last, litres) : fine_course(kind, first, last, litres));
    }

private:
    /// Uses come in company: while water runs, more uses begin than at other times.
    static constexpr double in_company = 10;
    static constexpr double begins_within_s = 5;
    /// Added for and against a machine, by the company of its fills.
    static constexpr double fill = 3;
    static constexpr double no_fill = -4;

    [[nodiscard]] double log_of_volume(const Kind& kind, double litres, bool coarse) const {
        const double doubt = 0.4 * pulse_value_l_ / litres;
        const double alone = kind.litres.log_density(std::log(litres), doubt);
        if (kind.label != DrawLabel::flush || !kind.is_learned || !coarse) return alone;
        // People wash their hands after flushing, and the readings may hold both.
        double beside = nothing;
        for (const double tap_l : {0.4, 1.0, 1.8}) {
            if (litres - tap_l > 0.3 * litres)
                beside = log_sum(beside, kind.litres.log_density(std::log(litres - tap_l), doubt) - 2.2);
        }
        return log_sum(alone - 0.25, beside);
    }

    [[nodiscard]] double fine_course(const Kind& kind, std::size_t first, std::size_t last,
                                     double litres) const {
        double run_s = 0;
        double doubt = 1;
        for (std::size_t i = first; i <= last; ++i) {
            run_s += portions_[i].to_s - portions_[i].from_s;
            if (portions_[i].l_per_min > 0) doubt = std::min(doubt, portions_[i].flow_doubt);
        }
        if (first == last && portions_[first].l_per_min <= 0) return 0;
        const double flow = std::log(litres / std::max(run_s, 0.5) * 60);
        double log = kind.l_per_min.log_density(flow, doubt);
        for (std::size_t i = first + 1; i <= last; ++i) {
            const double gap_s = portions_[i].from_s - portions_[i - 1].to_s;
            log += kind.join - std::log(litres) + (gap_s <= 5 ? 0 : -2.0 - gap_s / 40);
        }
        if (first == last) return log;
        double courses = nothing;
        for (std::size_t level = 0; level < waver_spreads.size(); ++level) {
            double misfit = std::log(kind.wavers.at(level));
            double least = nothing;
            for (std::size_t i = first; i <= last; ++i) {
                const Portion& portion = portions_[i];
                if (portion.l_per_min <= 0) continue;
                const double fits = log_bell(std::log(portion.l_per_min) - flow,
                                             std::hypot(waver_spreads.at(level), portion.flow_doubt));
                misfit += fits;
                least = std::max(least, fits);
            }
            courses = log_sum(courses, misfit - std::max(least, -100.0));
        }
        return log + courses;
    }

    [[nodiscard]] double coarse_course(const Kind& kind, std::size_t first, std::size_t last,
                                       double litres) const {
        const double window_min = portions_[first].blur_s / 60;
        const double most = std::log(60.0);
        double log = 0;
        double largest = 0;
        for (std::size_t i = first; i <= last; ++i) {
            largest = std::max(largest, portions_[i].litres);
            if (i > first && portions_[i].from_s - portions_[i - 1].to_s > 1) log += kind.closes;
        }
        if (first == last) return log + kind.l_per_min.log_share(std::log(litres / window_min), most);
        if (first + 1 == last) {
            const double share = kind.l_per_min.log_share(std::log(0.95 * largest / window_min), most);
            return log + share - std::max(std::log(largest), kind.l_per_min.middle + std::log(window_min));
        }
        std::vector<double>& inside = inside_;
        inside.clear();
        for (std::size_t i = first + 1; i < last; ++i)
            inside.push_back(portions_[i].litres);
        const auto middle = inside.begin() + static_cast<std::ptrdiff_t>(inside.size() / 2);
        std::nth_element(inside.begin(), middle, inside.end());
        const double full =
            std::max(*middle, 0.95 * std::max(portions_[first].litres, portions_[last].litres) / 1.2);
        log += kind.l_per_min.log_density(std::log(full / window_min), 0.41 * pulse_value_l_ / full) -
               std::log(full);
        log -= std::log(full);  // The first reading holds any share of a full one.
        double courses = nothing;
        for (std::size_t level = 0; level < waver_spreads.size(); ++level) {
            const double spread = std::hypot(waver_spreads.at(level) * full, 0.41 * pulse_value_l_);
            double misfit = std::log(kind.wavers.at(level));
            double least = nothing;
            for (const double x : inside) {
                const double fits =
                    std::log((1 - kind.drops - 0.03) * std::exp(log_bell(x - full, spread)) +
                             (x < full ? kind.drops / full : 0) + (x > full ? 0.03 / 15 : 0) + 1e-7);
                misfit += fits;
                least = std::max(least, fits);
            }
            // The best of them sets the flow, so it is not counted as a fit.
            courses = log_sum(courses, misfit - least);
        }
        return log + courses;
    }

    const std::vector<Portion>& portions_;
    const std::vector<bool>& is_fill_;
    double pulse_value_l_;
    mutable std::vector<double> inside_;
};

}  // namespace

double Bell::log_density(double logarithm, double doubt) const {
    const double s = std::hypot(spread, doubt);
    return log_bell(logarithm - middle, s);
}

double Bell::log_share(double from, double to) const {
    const auto below = [this](double x) { return 0.5 * std::erfc(-(x - middle) / spread / std::sqrt(2.0)); };
    return std::log(std::max(below(to) - below(from), 1e-5));
}

Division read_uses(const std::vector<Portion>& portions, const std::vector<Kind>& kinds,
                   const std::vector<bool>& is_fill, double pulse_value_l) {
    const Weigher weigher(portions, is_fill, pulse_value_l);
    const std::size_t n = portions.size();
    struct Candidate {
        std::size_t first, last, kind;
        double log;
    };
    std::vector<Candidate> candidates;  // In order of `last`.
    for (std::size_t last = 0; last < n; ++last) {
        for (std::size_t kind = 0; kind < kinds.size(); ++kind) {
            double litres = 0;
            for (std::size_t first = last + 1; first-- > 0;) {
                if (last - first + 1 > kinds[kind].most_pieces) break;
                if (first < last) {
                    const double gap_s = portions[first + 1].from_s - portions[first].to_s;
                    const double blur_s = portions[last].blur_s;
                    if (gap_s > kinds[kind].longest_gap_s + (blur_s > 15 ? 0.5 * blur_s : 0)) break;
                    if (portions[first].is_coarse() != portions[last].is_coarse()) break;
                    if (portions[first].cut_before != portions[last].cut_before) break;
                    if (portions[last].to_s - portions[first].from_s > kinds[kind].longest_s + 2 * blur_s)
                        break;
                }
                litres += portions[first].litres;
                candidates.push_back({first, last, kind, weigher.weigh(kinds[kind], first, last, litres)});
            }
        }
    }
    std::vector<double> forward(n + 1, nothing), best(n + 1, nothing), backward(n + 1, nothing);
    std::vector<std::size_t> chosen(n + 1, 0);
    forward[0] = best[0] = 0;
    for (std::size_t c = 0; c < candidates.size(); ++c) {
        const Candidate& x = candidates[c];
        forward[x.last + 1] = log_sum(forward[x.last + 1], forward[x.first] + x.log);
        if (best[x.first] + x.log > best[x.last + 1]) {
            best[x.last + 1] = best[x.first] + x.log;
            chosen[x.last + 1] = c;
        }
    }
    backward[n] = 0;
    for (std::size_t c = candidates.size(); c-- > 0;) {
        const Candidate& x = candidates[c];
        backward[x.first] = log_sum(backward[x.first], backward[x.last + 1] + x.log);
    }
    Division division;
    division.shares.resize(n);
    for (const Candidate& x : candidates) {
        const double share = std::exp(forward[x.first] + x.log + backward[x.last + 1] - forward[n]);
        if (share < 1e-6) continue;
        for (std::size_t i = x.first; i <= x.last; ++i)
            division.shares[i].at(static_cast<std::size_t>(kinds[x.kind].label)) += share;
    }
    for (std::size_t end = n; end > 0; end = candidates[chosen[end]].first) {
        const Candidate& x = candidates[chosen[end]];
        division.groups.push_back({x.first, x.last, x.kind});
    }
    std::reverse(division.groups.begin(), division.groups.end());
    return division;
}

}  // namespace tickledger
