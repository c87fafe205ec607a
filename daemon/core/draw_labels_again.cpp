// Looks at each use once more, with the first answers for uses like it and near it.
#include <algorithm>
#include <array>
#include <cmath>
#include <numeric>

#include "core/draw_labels.hpp"
#include "tickledger/check.hpp"

namespace tickledger {

namespace {

constexpr std::array<DrawLabel, 6> labels = {DrawLabel::flush,  DrawLabel::shower, DrawLabel::tap,
                                             DrawLabel::washer, DrawLabel::bath,   DrawLabel::hose};

double share(const LabelShares& shares, DrawLabel label) {
    return shares.at(static_cast<std::size_t>(label));
}

/// What the house's showers are like, by the first answers.
struct Showers {
    double a_day = 0;
    double litres = 0;     ///< 0: unknown.
    double l_per_min = 0;  ///< 0: unknown.
};

double weighted_median(std::vector<std::pair<double, double>>& values) {
    if (values.empty()) return 0;
    std::sort(values.begin(), values.end());
    double all = 0, sum = 0;
    for (const auto& [value, weight] : values)
        all += weight;
    for (const auto& [value, weight] : values) {
        sum += weight;
        if (sum >= all / 2) return value;
    }
    return values.back().first;
}

Showers showers_of(const UsesSeen& seen, const std::vector<LabelShares>& answers, double days) {
    Showers showers;
    std::vector<std::pair<double, double>> litres, flows;
    for (std::size_t i = 0; i < seen.uses.size(); ++i) {
        const double of = share(answers[i], DrawLabel::shower);
        showers.a_day += of / days;
        if (of < 0.3 || seen.uses[i].litres < 6) continue;
        litres.emplace_back(seen.uses[i].litres, of);
        if (seen.uses[i].l_per_min > 0) flows.emplace_back(seen.uses[i].l_per_min, of);
    }
    showers.litres = weighted_median(litres);
    showers.l_per_min = weighted_median(flows);
    return showers;
}

/// How much of a label's answers is within an hour of each time of day.
class Hours {
public:
    Hours(const UsesSeen& seen, const std::vector<LabelShares>& answers, DrawLabel label) {
        for (std::size_t i = 0; i < seen.uses.size(); ++i)
            at_.at(slot_of(seen.uses[i].from_s)) += share(answers[i], label);
        for (const double sum : at_)
            all_ += sum;
    }

    /// The share near this time of day, without this use's own answer.
    [[nodiscard]] double near(double from_s, double own) const {
        double sum = -own;
        for (std::size_t i = slots - 3; i <= slots + 3; ++i)
            sum += at_.at((slot_of(from_s) + i) % slots);
        return (std::max(0.0, sum) + 0.15) / (std::max(0.0, all_ - own) + 1);
    }

private:
    static constexpr std::size_t slots = 72;
    static std::size_t slot_of(double from_s) {
        return std::min(slots - 1, static_cast<std::size_t>(std::fmod(from_s, 86400) / 86400 * slots));
    }
    std::array<double, slots> at_{};
    double all_ = 0;
};

LabelShares mean_of(const std::vector<std::uint32_t>& which, const std::vector<LabelShares>& answers,
                    const LabelShares& own) {
    LabelShares mean = own;
    for (const std::uint32_t k : which) {
        for (std::size_t label = 0; label < mean.size(); ++label)
            mean[label] += answers[k][label];
    }
    for (double& one : mean)
        one /= static_cast<double>(which.size() + 1);
    return mean;
}

/// The first answers for the uses near a use.
struct Beside {
    double washers = 0;  ///< Within an hour and a quarter.
    double most_washer = 0;
    double taps = 0;  ///< Within ten minutes.
    /// Right before and right after.
    LabelShares before{}, after{};
};

Beside beside(const UsesSeen& seen, const std::vector<LabelShares>& answers, std::size_t i) {
    constexpr double company_s = 4500;
    constexpr double soon_s = 600;
    constexpr double right_s = 180;
    Beside found;
    const UsesSeen::Use& use = seen.uses[i];
    for (const int step : {-1, 1}) {
        LabelShares& next = step < 0 ? found.before : found.after;
        for (std::size_t k = i + static_cast<std::size_t>(step);
             k < seen.uses.size() && std::abs(seen.uses[k].from_s - use.from_s) < company_s;
             k += static_cast<std::size_t>(step)) {
            const UsesSeen::Use& other = seen.uses[k];
            const double gap_s = step < 0 ? use.from_s - other.to_s : other.from_s - use.to_s;
            if (other.litres >= 1.5) {
                found.washers += share(answers[k], DrawLabel::washer);
                found.most_washer = std::max(found.most_washer, share(answers[k], DrawLabel::washer));
            }
            if (gap_s <= soon_s) found.taps += share(answers[k], DrawLabel::tap);
            if (gap_s > right_s) continue;
            for (std::size_t label = 0; label < next.size(); ++label)
                next[label] = std::max(next[label], answers[k][label]);
        }
    }
    return found;
}

/// What the first answers say of the other long uses at one flow.
struct AtFlow {
    double shower = 0, washer = 0, hose = 0;
    double as_most_showers = 0;  ///< Showers at this flow, relative to the house's most usual flow.
    double showers_faster = 0;   ///< The share of the showers that run faster.
    double all = 0;
};

class LongFlows {
public:
    LongFlows(const UsesSeen& seen, const std::vector<LabelShares>& answers)
        : seen_(seen), answers_(answers) {
        for (std::size_t i = 0; i < seen.uses.size(); ++i) {
            const UsesSeen::Use& use = seen.uses[i];
            if (use.l_per_min > 0 && use.litres >= 8) {
                flows_.emplace_back(std::log(use.l_per_min), i);
            }
        }
        for (const auto& [flow, i] : flows_) {
            double sum = 0;
            for (const auto& [other, k] : flows_)
                sum += kernel(other - flow) * share(answers[k], DrawLabel::shower);
            most_showers_ = std::max(most_showers_, sum);
        }
    }

    [[nodiscard]] AtFlow at(std::size_t i) const {
        AtFlow found;
        const UsesSeen::Use& use = seen_.uses[i];
        if (use.l_per_min <= 0) return {-1, -1, -1, -1, -1, -1};  // Unknown.
        const double flow = std::log(use.l_per_min);
        double showers = 0, faster = 0;
        for (const auto& [other, k] : flows_) {
            if (k == i) continue;
            const double near = kernel(other - flow);
            const double shower = share(answers_[k], DrawLabel::shower);
            const double no_small =
                1 - share(answers_[k], DrawLabel::flush) - share(answers_[k], DrawLabel::tap);
            found.all += near * no_small;
            found.shower += near * shower;
            found.washer += near * share(answers_[k], DrawLabel::washer);
            found.hose += near * share(answers_[k], DrawLabel::hose);
            showers += shower;
            if (other > flow) faster += shower;
        }
        const double here = found.all + 0.3;
        found.as_most_showers = (found.shower + 0.1) / (most_showers_ + 0.3);
        found.showers_faster = (faster + 0.3) / (showers + 0.6);
        found.shower /= here, found.washer /= here, found.hose /= here;
        return found;
    }

private:
    /// Shower heads and hoses hold their flow about equally well.
    static double kernel(double off) {
        constexpr double spread = 0.08;
        return std::abs(off) > 4 * spread ? 0 : std::exp(-off * off / (2 * spread * spread));
    }

    const UsesSeen& seen_;
    const std::vector<LabelShares>& answers_;
    std::vector<std::pair<double, std::size_t>> flows_;
    double most_showers_ = 0;
};

}  // namespace

std::size_t sureness_class(double blur_s) {
    return blur_s <= 15 ? 0 : blur_s <= 90 ? 1 : 2;
}

void look_again(UsesSeen& seen, const std::vector<LabelShares>& first_answers) {
    if (seen.uses.empty()) return;
    const double days = std::max(1.0, (seen.uses.back().to_s - seen.uses.front().from_s) / 86400);
    const Showers showers = showers_of(seen, first_answers, days);
    const LongFlows long_flows(seen, first_answers);
    const std::array<DrawLabel, 3> with_hours = {DrawLabel::shower, DrawLabel::washer, DrawLabel::hose};
    std::vector<Hours> hours;
    for (const DrawLabel label : with_hours)
        hours.emplace_back(seen, first_answers, label);
    LabelShares litres{};
    double all_litres = 0, flushes = 0;
    for (std::size_t i = 0; i < seen.uses.size(); ++i) {
        for (std::size_t label = 0; label < litres.size(); ++label)
            litres[label] += first_answers[i][label] * seen.uses[i].litres;
        all_litres += seen.uses[i].litres;
        flushes += share(first_answers[i], DrawLabel::flush);
    }
    for (std::size_t i = 0; i < seen.uses.size(); ++i) {
        const UsesSeen::Use& use = seen.uses[i];
        const LabelShares& own = first_answers[i];
        std::size_t n = first_feature_count;
        const auto add = [&](double value) { seen.features[i].at(n++) = static_cast<float>(value); };
        const LabelShares like = mean_of(use.like, first_answers, own);
        const LabelShares nearly = mean_of(use.nearly_like, first_answers, own);
        for (const DrawLabel label : labels) {
            add(share(own, label));
            add(share(like, label));
        }
        for (const DrawLabel label :
             {DrawLabel::flush, DrawLabel::shower, DrawLabel::washer, DrawLabel::hose})
            add(share(nearly, label));
        const Beside near = beside(seen, first_answers, i);
        add(near.washers);
        add(near.most_washer);
        add(near.taps);
        for (const LabelShares* next : {&near.before, &near.after}) {
            add(share(*next, DrawLabel::flush));
            add(share(*next, DrawLabel::shower));
        }
        add(showers.a_day);
        add(flushes / days);
        add(share(litres, DrawLabel::hose) / all_litres);
        add(share(litres, DrawLabel::washer) / all_litres);
        add(showers.litres > 0 ? std::log(use.litres / showers.litres) : 9);
        add(showers.l_per_min > 0 && use.l_per_min > 0 ? std::log(use.l_per_min / showers.l_per_min) : 9);
        for (std::size_t k = 0; k < hours.size(); ++k)
            add(std::log(hours[k].near(use.from_s, share(own, with_hours.at(k)))));
        const AtFlow at = long_flows.at(i);
        for (const double value :
             {at.shower, at.washer, at.hose, at.as_most_showers, at.showers_faster, at.all})
            add(value);
        TICKLEDGER_CHECK(n == feature_count, "as many features as the trained trees know");
    }
}

namespace {

/// Gives the shares of impossible uses to the possible ones. A leak is always possible.
void leave_only(std::span<const DrawLabel> uses, LabelShares& shares) {
    if (uses.empty()) return;
    double sum = 0;
    for (std::size_t k = 0; k < shares.size(); ++k) {
        const auto label = static_cast<DrawLabel>(k);
        if (std::ranges::find(uses, label) == uses.end() && label != DrawLabel::leak) shares[k] = 0;
        sum += shares[k];
    }
    if (sum <= 0) {
        for (const DrawLabel use : uses)
            shares.at(static_cast<std::size_t>(use)) = 1;
        sum = static_cast<double>(uses.size());
    }
    for (double& one : shares)
        one /= sum;
}

}  // namespace

std::vector<LabelShares> shares_of(UsesSeen& seen, const Namer& namer, std::span<const DrawLabel> uses) {
    // The homes of the training have more gardens and tubs than homes usually have, so that the trees learn
    // them. A shower is therefore more likely by these factors. Larger factors take more litres from hoses
    // than they give to showers. If readings are far apart, they take litres from machines, too
    // (docs/draws.md). In a house's first days nothing shows yet that it has a garden.
    constexpr double litres_of_long = 8;
    constexpr std::ptrdiff_t enough_long = 10;
    const auto long_uses = std::count_if(seen.uses.begin(), seen.uses.end(), [](const UsesSeen::Use& use) {
        return use.litres >= litres_of_long;
    });
    constexpr std::array<double, 3> for_showers = {2, 2, 1.6};  // By sureness_class().
    constexpr double for_showers_at_first = 4;
    std::vector<LabelShares> shares;
    for (const Features& features : seen.features) {
        shares.push_back(namer.first(features));
        leave_only(uses, shares.back());
    }
    look_again(seen, shares);
    for (std::size_t i = 0; i < shares.size(); ++i) {
        shares[i] = namer.second(seen.features[i]);
        const std::size_t cadence = sureness_class(seen.uses[i].blur_s);
        for (double& one : shares[i])
            one = std::pow(one, namer.sureness.at(cadence));
        shares[i].at(static_cast<std::size_t>(DrawLabel::shower)) *=
            long_uses < enough_long ? for_showers_at_first : for_showers.at(cadence);
        leave_only(uses, shares[i]);
        const double sum = std::accumulate(shares[i].begin(), shares[i].end(), 0.0);
        for (double& one : shares[i])
            one /= sum;
    }
    return shares;
}

}  // namespace tickledger
