// What is known of a use beyond its volume and flow: its company, and how often the house has uses like it.
#include <algorithm>
#include <array>
#include <cmath>
#include <functional>
#include <utility>

#include "core/draw_labels.hpp"
#include "core/quantile.hpp"
#include "tickledger/check.hpp"

namespace tickledger {

namespace {

/// Consecutive portions that are one use.
struct Use {
    double from_s = 0, to_s = 0, litres = 0, run_s = 0;
    double l_per_min = 0;  ///< 0: unknown.
    double doubt = 0;      ///< Uncertainty of the flow's logarithm.
    double unsteadiness = -1;
    double largest_share = 1;    ///< The share of its litres in its largest portion.
    double least_l_per_min = 0;  ///< The least flow that its largest portion needs.
    double ends_slower = 1;      ///< The last portion's flow relative to the first's.
    double pieces = 1;
    double blur_s = 0;
    bool overlaps = false;
    double log_litres = 0, log_flow = 0;  ///< Stored, because each use is compared with all others.
};

double length_s(const Portion& portion) {
    return portion.to_s - portion.from_s;
}

Use use_of(const std::vector<Portion>& portions, const Grouping& group, double pulse_value_l) {
    Use use;
    use.from_s = portions[group.first].from_s;
    std::vector<double> flows;
    double largest = 0;
    use.doubt = 1;
    for (std::size_t i = group.first; i <= group.last; ++i) {
        const Portion& portion = portions[i];
        use.to_s = std::max(use.to_s, portion.to_s);
        use.litres += portion.litres;
        use.run_s += portion.to_s - portion.from_s;
        use.blur_s = std::max(use.blur_s, portion.blur_s);
        use.overlaps = use.overlaps || portion.overlaps;
        largest = std::max(largest, portion.litres);
        use.least_l_per_min = std::max(
            use.least_l_per_min, portion.litres / std::max({portion.blur_s, length_s(portion), 1.0}) * 60);
        const bool is_inside = i > group.first && i < group.last;
        if (portion.is_coarse() ? is_inside : portion.l_per_min > 0) {
            flows.push_back(portion.is_coarse() ? portion.litres / portion.blur_s * 60 : portion.l_per_min);
            use.doubt = std::min(use.doubt, portion.flow_doubt);
        }
    }
    use.pieces = static_cast<double>(group.last - group.first + 1);
    use.largest_share = largest / use.litres;
    const Portion& head = portions[group.first];
    const Portion& tail = portions[group.last];
    use.ends_slower =
        tail.litres / std::max(1.0, length_s(tail)) / head.litres * std::max(1.0, length_s(head));
    if (flows.empty()) return use;
    if (portions[group.first].is_coarse()) {
        use.l_per_min = median(flows);
        use.doubt = 0.4 * pulse_value_l / (use.l_per_min * use.blur_s / 60) + 0.05;
    } else {
        use.l_per_min = use.litres / std::max(use.run_s, 0.5) * 60;
    }
    if (flows.size() < 2) return use;
    double squares = 0;
    for (const double flow : flows)
        squares += std::pow(std::log(flow / use.l_per_min), 2);
    use.unsteadiness = std::sqrt(squares / static_cast<double>(flows.size()));
    return use;
}

class Company {
public:
    Company(const std::vector<Use>& uses, double pulse_value_l)
        : uses_(uses), pulse_value_l_(pulse_value_l) {}

    [[nodiscard]] bool alike(const Use& a, const Use& b, double times) const {
        if (std::abs(a.litres - b.litres) > times * (0.6 * pulse_value_l_ + 0.05 * a.litres)) return false;
        return flows_alike(a, b, times);
    }

    [[nodiscard]] bool flows_alike(const Use& a, const Use& b, double times) const {
        if (a.l_per_min <= 0 || b.l_per_min <= 0) return true;
        return std::abs(a.log_flow - b.log_flow) <= times * (0.06 + 0.5 * (a.doubt + b.doubt));
    }

    /// How many companions of this use within two hours come again, the same time apart, beside another use
    /// like it.
    [[nodiscard]] int rhythm(std::size_t i, const std::vector<std::size_t>& like) const {
        constexpr std::size_t most_like = 40;
        int best = 0;
        for (std::size_t n = 0; n < like.size() && n < most_like; ++n) {
            const std::size_t k = like[like.size() - 1 - n];
            if (std::abs(uses_[k].from_s - uses_[i].from_s) < 3 * 3600) continue;
            best = std::max(best, matches(i, k));
        }
        return best;
    }

private:
    [[nodiscard]] int matches(std::size_t i, std::size_t k) const {
        constexpr double longest_s = 7200;
        int count = 0;
        for (const int step : {-1, 1}) {
            int looked_at = 0;
            for (std::size_t a = i + static_cast<std::size_t>(step);
                 a < uses_.size() && std::abs(uses_[a].from_s - uses_[i].from_s) <= longest_s &&
                 looked_at < 15;
                 a += static_cast<std::size_t>(step)) {
                if (uses_[a].litres < std::max(1.5, 1.5 * pulse_value_l_)) continue;
                ++looked_at;
                const double after_s = uses_[a].from_s - uses_[i].from_s;
                for (std::size_t b = k + static_cast<std::size_t>(step); b < uses_.size();
                     b += static_cast<std::size_t>(step)) {
                    const double other_s = uses_[b].from_s - uses_[k].from_s;
                    const double room_s = 60 + 0.05 * std::abs(after_s) + uses_[i].blur_s;
                    if (std::abs(other_s) > std::abs(after_s) + room_s) break;
                    if (std::abs(other_s - after_s) > room_s || !alike(uses_[a], uses_[b], 1.3)) continue;
                    ++count;
                    break;
                }
            }
        }
        return count;
    }

    const std::vector<Use>& uses_;
    double pulse_value_l_;
};

float log_of(double x) {
    return static_cast<float>(std::log(std::max(x, 1e-3)));
}

/// The middle of the least used stretch of the day, in seconds. It stands for people's clock, because their
/// time zone is not known.
double quiet_time_s(const std::vector<Use>& uses) {
    constexpr int slots = 48;
    constexpr int night = 9;  // Four and a half hours.
    std::array<int, slots> count{};
    for (const Use& use : uses)
        ++count.at(static_cast<std::size_t>(std::fmod(use.from_s, 86400) / 86400 * slots));
    int least = static_cast<int>(uses.size()) + 1;
    int first = 0, run = 0;
    for (int begin = 0; begin < slots; ++begin) {
        int sum = 0;
        for (int i = 0; i < night; ++i)
            sum += count.at(static_cast<std::size_t>((begin + i) % slots));
        if (sum < least) least = sum, first = begin, run = 0;
        if (sum == least && begin == first + run) ++run;
    }
    return (first + (run - 1) / 2.0 + night / 2.0) * 86400 / slots;
}

/// The house's flows: the share of its water that ran faster than a flow.
class Flows {
public:
    explicit Flows(const std::vector<Use>& uses) {
        for (const Use& use : uses) {
            if (use.l_per_min > 0) flows_.emplace_back(use.l_per_min, use.litres);
        }
        std::sort(flows_.begin(), flows_.end(), std::greater<>());
        double sum = 0;
        for (auto& [flow, litres] : flows_)
            litres = sum += litres;
    }

    [[nodiscard]] double share_above(double l_per_min) const {
        if (l_per_min <= 0) return -1;
        const auto at = std::lower_bound(flows_.begin(), flows_.end(), std::pair{l_per_min, 0.0},
                                         [](const auto& a, const auto& b) { return a.first > b.first; });
        return at == flows_.begin() ? 0 : (at - 1)->second / flows_.back().second;
    }

private:
    std::vector<std::pair<double, double>> flows_;  ///< From the fastest, with the litres so far.
};

LongUse long_use_of(const Use& use, const std::vector<Portion>& portions, const Division& division,
                    const Grouping& group) {
    double short_l = 0;
    for (std::size_t k = group.first; k <= group.last; ++k) {
        for (const DrawLabel label : {DrawLabel::flush, DrawLabel::tap})
            short_l += division.shares[k].at(static_cast<std::size_t>(label)) * portions[k].litres;
    }
    LongUse found;
    found.from_s = use.from_s;
    found.litres = use.litres;
    found.l_per_min = use.l_per_min;
    found.doubt = use.doubt;
    found.pauses = 1 - use.run_s / std::max(1e-3, use.to_s - use.from_s);
    found.weight = 1 - short_l / use.litres;
    return found;
}

/// How the uses like one use are spread over time.
struct Recurring {
    double on_days = 0;  ///< The number of days with at least one of them.
    double soon = 0;     ///< How many of them come within three hours of the one before.
    double middle = 0;   ///< The mean of their volumes relative to this one's, as a logarithm.
};

Recurring recurring(const std::vector<Use>& uses, const std::vector<std::size_t>& like, const Use& use) {
    Recurring found;
    constexpr double soon_s = 3 * 3600;
    double last_s = -1e9;
    double last_day = -1;
    for (const std::size_t k : like) {
        const double day = std::floor(uses[k].from_s / 86400);
        if (day != last_day) ++found.on_days;
        if (uses[k].from_s - last_s <= soon_s) ++found.soon;
        found.middle += std::log(uses[k].litres / use.litres) / static_cast<double>(like.size());
        last_day = day, last_s = uses[k].from_s;
    }
    return found;
}

/// Keeps some of them, evenly spread. That is enough.
void thin(std::vector<std::uint32_t>& which) {
    constexpr std::size_t enough = 64;
    if (which.size() <= enough) return;
    for (std::size_t i = 0; i < enough; ++i)
        which[i] = which[i * which.size() / enough];
    which.resize(enough);
}

/// The recurring kind of a label that is nearest in volume.
const Kind* nearest_kind(const std::vector<Kind>& kinds, DrawLabel label, double litres) {
    const Kind* nearest = nullptr;
    const auto off = [&](const Kind& kind) { return std::abs(kind.litres.middle - std::log(litres)); };
    for (const Kind& kind : kinds) {
        if (kind.is_learned && kind.label == label && (!nearest || off(kind) < off(*nearest)))
            nearest = &kind;
    }
    return nearest;
}

/// The recurring kind of cistern that is filled most often.
const Kind* cistern_of(const std::vector<Kind>& kinds) {
    const Kind* cistern = nullptr;
    for (const Kind& kind : kinds) {
        if (kind.is_learned && kind.label == DrawLabel::flush && (!cistern || kind.a_day > cistern->a_day))
            cistern = &kind;
    }
    return cistern;
}

/// Takes the features of one use, in the order that the trained trees know.
class FeatureRow {
public:
    explicit FeatureRow(Features& features) : features_(features) {}
    ~FeatureRow() {
        TICKLEDGER_CHECK(count_ == first_feature_count, "as many features as the trained trees know");
    }
    FeatureRow(const FeatureRow&) = delete;
    FeatureRow& operator=(const FeatureRow&) = delete;

    void add(double value) { features_.at(count_++) = static_cast<float>(value); }

private:
    Features& features_;
    std::size_t count_ = 0;
};

void add_shape(FeatureRow& row, const Use& use) {
    row.add(log_of(use.litres));
    row.add(use.l_per_min > 0 ? log_of(use.l_per_min) : -5);
    row.add(log_of(use.to_s - use.from_s));
    row.add(use.pieces);
    row.add(1 - use.run_s / std::max(1e-3, use.to_s - use.from_s));
    row.add(use.unsteadiness);
    row.add(use.largest_share);
    row.add(use.overlaps ? 1 : 0);
}

/// How far a use is from a kind, in the logarithms of volume and flow.
void add_distance(FeatureRow& row, const Use& use, const Kind* kind) {
    constexpr double no_kind = 9;
    row.add(kind ? std::log(use.litres) - kind->litres.middle : no_kind);
    row.add(kind && use.l_per_min > 0 ? std::log(use.l_per_min) - kind->l_per_min.middle : no_kind);
}

/// The uses of the house that are like one of them, and those of the same flow.
struct Alike {
    std::vector<std::size_t> like;
    std::vector<std::uint32_t> nearly_like;
    double as_large = 0;  ///< How many are at least as large.
    double at_flow = 0;   ///< How many have the same flow; the sums are of their logarithms of volume.
    double log_litres = 0, log_litres_squared = 0;
};

/// All uses of a house.
class House {
public:
    /// All must outlive this.
    House(const std::vector<Portion>& portions, const std::vector<Kind>& kinds, const Division& division,
          double pulse_value_l)
        : portions_(portions),
          kinds_(kinds),
          division_(division),
          pulse_value_l_(pulse_value_l),
          uses_(uses_of(portions, division, pulse_value_l)),
          cistern_(cistern_of(kinds)),
          days_(std::max(1.0, (portions.back().to_s - portions.front().from_s) / 86400)),
          company_(uses_, pulse_value_l),
          flows_(uses_),
          quiet_s_(quiet_time_s(uses_)),
          candidates_(candidates_of(uses_, portions, division)),
          long_uses_(candidates_, quiet_s_, days_) {
        for (const Use& use : uses_)
            litres_ += use.litres;
    }

    [[nodiscard]] std::size_t size() const { return uses_.size(); }

    /// Adds the features of use `i`, and returns the use with those like it.
    [[nodiscard]] UsesSeen::Use see(std::size_t i, Features& features) const;

private:
    static std::vector<Use> uses_of(const std::vector<Portion>& portions, const Division& division,
                                    double pulse_value_l);
    static std::vector<LongUse> candidates_of(const std::vector<Use>& uses,
                                              const std::vector<Portion>& portions, const Division& division);
    [[nodiscard]] Alike alike(std::size_t i) const;
    void add_first_labels(FeatureRow& row, std::size_t i) const;
    void add_neighbours(FeatureRow& row, std::size_t i) const;
    void add_long_use(FeatureRow& row, std::size_t i) const;
    [[nodiscard]] double log_a_day(double count) const { return log_of((count + 0.3) / days_); }
    /// Uses too small to tell by their volume are no company.
    [[nodiscard]] bool is_small(const Use& use) const {
        return use.litres < std::max(1.5, 1.5 * pulse_value_l_);
    }

    const std::vector<Portion>& portions_;
    const std::vector<Kind>& kinds_;
    const Division& division_;
    const double pulse_value_l_;
    const std::vector<Use> uses_;
    const Kind* const cistern_;
    const double days_;
    const Company company_;
    const Flows flows_;
    const double quiet_s_;
    const std::vector<LongUse> candidates_;
    const LongUses long_uses_;
    double litres_ = 0;
};

std::vector<Use> House::uses_of(const std::vector<Portion>& portions, const Division& division,
                                double pulse_value_l) {
    std::vector<Use> uses;
    for (const Grouping& group : division.groups) {
        uses.push_back(use_of(portions, group, pulse_value_l));
        Use& use = uses.back();
        use.log_litres = std::log(use.litres);
        use.log_flow = use.l_per_min > 0 ? std::log(use.l_per_min) : 0;
    }
    return uses;
}

std::vector<LongUse> House::candidates_of(const std::vector<Use>& uses, const std::vector<Portion>& portions,
                                          const Division& division) {
    std::vector<LongUse> candidates;
    for (std::size_t i = 0; i < uses.size(); ++i)
        candidates.push_back(long_use_of(uses[i], portions, division, division.groups[i]));
    return candidates;
}

Alike House::alike(std::size_t i) const {
    const Use& use = uses_[i];
    Alike found;
    for (std::size_t k = 0; k < uses_.size(); ++k) {
        if (k == i) continue;
        const Use& other = uses_[k];
        if (company_.alike(use, other, 1)) {
            found.like.push_back(k);
        } else if (company_.alike(use, other, 3)) {
            found.nearly_like.push_back(static_cast<std::uint32_t>(k));
        }
        if (other.litres >= use.litres) ++found.as_large;
        if (use.l_per_min <= 0 || other.l_per_min <= 0 || !company_.flows_alike(use, other, 1)) continue;
        ++found.at_flow;
        found.log_litres += other.log_litres;
        found.log_litres_squared += other.log_litres * other.log_litres;
    }
    return found;
}

/// The shares of the labels by the division into uses.
void House::add_first_labels(FeatureRow& row, std::size_t i) const {
    const Grouping& group = division_.groups[i];
    for (const DrawLabel label : {DrawLabel::flush, DrawLabel::shower, DrawLabel::tap, DrawLabel::washer,
                                  DrawLabel::bath, DrawLabel::hose}) {
        double litres = 0;
        for (std::size_t k = group.first; k <= group.last; ++k)
            litres += division_.shares[k].at(static_cast<std::size_t>(label)) * portions_[k].litres;
        row.add(litres / uses_[i].litres);
    }
}

/// The uses shortly before and after.
void House::add_neighbours(FeatureRow& row, std::size_t i) const {
    constexpr double company_s = 4500;
    constexpr double at_once_s = 120;
    constexpr double far_s = 7200;
    const Use& use = uses_[i];
    double near = 0, near_alike = 0, near_flow = 0, nearest_before_s = far_s, nearest_after_s = far_s;
    double litres_before = 0, litres_after = 0;
    for (const int step : {-1, 1}) {
        for (std::size_t k = i + static_cast<std::size_t>(step);
             k < uses_.size() && std::abs(uses_[k].from_s - use.from_s) < company_s;
             k += static_cast<std::size_t>(step)) {
            ++near;
            const Use& other = uses_[k];
            const double gap_s = step < 0 ? use.from_s - other.to_s : other.from_s - use.to_s;
            double& nearest_s = step < 0 ? nearest_before_s : nearest_after_s;
            nearest_s = std::min(nearest_s, std::max(0.0, gap_s));
            if (gap_s <= at_once_s) (step < 0 ? litres_before : litres_after) += other.litres;
            if (is_small(other)) continue;
            if (company_.alike(use, other, 1.5)) ++near_alike;
            if (use.l_per_min > 0 && other.l_per_min > 0 && company_.flows_alike(use, other, 1)) ++near_flow;
        }
    }
    row.add(near);
    row.add(near_alike);
    row.add(near_flow);
    row.add(log_of(nearest_before_s + 1));
    row.add(log_of(nearest_after_s + 1));
    row.add(litres_before);
    row.add(litres_after);
}

void House::add_long_use(FeatureRow& row, std::size_t i) const {
    const LongUses::About about = long_uses_.about(candidates_[i]);
    for (const double value :
         {about.faster_than, about.to_slow, about.to_middle, about.a_day, about.of_all, about.on_days,
          about.alike, about.larger, about.spread, about.pauses, about.hour_sine, about.hour_cosine})
        row.add(value);
}

UsesSeen::Use House::see(std::size_t i, Features& features) const {
    FeatureRow row(features);
    const Use& use = uses_[i];
    const Alike others = alike(i);
    const auto like = static_cast<double>(others.like.size());
    add_shape(row, use);
    add_first_labels(row, i);
    row.add(log_a_day(like));
    row.add(log_of((like + 0.5) / (static_cast<double>(others.nearly_like.size()) + 1)));
    row.add(log_a_day(others.as_large));
    add_neighbours(row, i);
    row.add(is_small(use) ? 0 : company_.rhythm(i, others.like));
    add_distance(row, use, cistern_);
    row.add(log_of(pulse_value_l_));
    row.add(log_of(use.blur_s));
    row.add(log_of(litres_ / days_));
    row.add(log_of(use.litres / pulse_value_l_));
    row.add(std::fmod(use.from_s - quiet_s_ + 2 * 86400, 86400) / 3600);
    row.add(flows_.share_above(use.l_per_min));
    row.add(log_a_day(others.at_flow));
    const double mean = others.log_litres / std::max(1.0, others.at_flow);
    row.add(others.at_flow < 3
                ? -1
                : std::sqrt(std::max(0.0, others.log_litres_squared / others.at_flow - mean * mean)));
    for (const DrawLabel label : {DrawLabel::flush, DrawLabel::washer})
        add_distance(row, use, nearest_kind(kinds_, label, use.litres));
    row.add(log_of(use.least_l_per_min));
    row.add(log_of(use.ends_slower));
    add_long_use(row, i);
    const Recurring again = recurring(uses_, others.like, use);
    row.add(again.on_days / days_);
    row.add(again.on_days / std::max(1.0, like));
    row.add(again.soon / std::max(1.0, like));
    row.add(again.middle);

    UsesSeen::Use seen{use.from_s, use.to_s, use.litres, use.l_per_min, use.blur_s, {}, others.nearly_like};
    seen.like.assign(others.like.begin(), others.like.end());
    thin(seen.like);
    thin(seen.nearly_like);
    return seen;
}

}  // namespace

UsesSeen uses_seen(const std::vector<Portion>& portions, const std::vector<Kind>& kinds,
                   const Division& division, double pulse_value_l) {
    const House house(portions, kinds, division, pulse_value_l);
    UsesSeen seen;
    seen.features.resize(house.size());
    for (std::size_t i = 0; i < house.size(); ++i)
        seen.uses.push_back(house.see(i, seen.features[i]));
    return seen;
}

}  // namespace tickledger
