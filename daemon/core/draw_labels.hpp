// How one house uses its water: what the labels' volumes and flows are like there, and which pieces belong
// together: what the sources draw_labels_*.cpp share. draw.hpp has the outside, docs/draws.md the method.
#pragma once

#include <array>
#include <cstdint>
#include <functional>
#include <vector>

#include "tickledger/draw.hpp"

namespace tickledger {

/// A piece of water as the labelling sees it: one steady stretch, or what one reading told.
struct Portion {
    double from_s = 0;
    double to_s = 0;
    double litres = 0;
    double l_per_min = 0;   ///< 0: unknown.
    double flow_doubt = 0;  ///< Of the flow's logarithm.
    double blur_s = 0;
    bool overlaps = false;

    /// So coarse that its length is the cadence's and not the water's.
    [[nodiscard]] bool is_coarse() const { return blur_s > 15; }
};

/// A bell curve over the logarithm of a quantity.
struct Bell {
    double middle = 0;
    double spread = 1;

    /// The logarithm of the density at this logarithm, where it is known only to so much.
    [[nodiscard]] double log_density(double logarithm, double doubt) const;
    /// The logarithm of the share that lies between two logarithms.
    [[nodiscard]] double log_share(double from, double to) const;
};

/// A kind of use that the house has: one cistern, its showers, its taps.
struct Kind {
    DrawLabel label = DrawLabel::unknown;
    double a_day = 0;
    Bell litres;
    Bell l_per_min;
    double join = 0;    ///< The logarithm of how likely a use goes on in another piece.
    double closes = 0;  ///< The logarithm of how likely a whole reading passes with the tap closed.
    /// How likely the flow of one use is steady, wavers, or is unsteady.
    std::array<double, 3> wavers{};
    double drops = 0;  ///< In what share of the readings it ran less than all the time.
    double longest_gap_s = 0;
    double longest_s = 0;
    std::size_t most_pieces = 1;
    bool is_learned = false;  ///< Found in this house: a cistern's volume, a machine's fill.
};

/// Some portions that are one use.
struct Grouping {
    std::size_t first = 0;
    std::size_t last = 0;  ///< Inclusive.
    std::size_t kind = 0;
};

/// The most probable uses, and how probable each label is for each portion.
struct Division {
    std::vector<Grouping> groups;
    std::vector<std::array<double, draw_label_count>> shares;
};

/// What is known of any house before its water was seen.
[[nodiscard]] std::vector<Kind> published_kinds();

/// The volumes that recur in this house: cisterns, and machines that fill at once.
[[nodiscard]] std::vector<Kind> recurring_kinds(const std::vector<Portion>& portions, double pulse_value_l);

/// Portions that are a machine's fills by their company: three or more at one steady flow within two hours.
[[nodiscard]] std::vector<bool> fills_of_machines(const std::vector<Portion>& portions,
                                                  const std::vector<bool>& may_be);

/// The best way to divide the portions among the kinds, with what each label's share is (a hidden semi-Markov
/// model: forward and backward over all divisions; S.-Z. Yu, Artificial Intelligence 174, 2010).
[[nodiscard]] Division read_uses(const std::vector<Portion>& portions, const std::vector<Kind>& kinds,
                                 const std::vector<bool>& is_fill, double pulse_value_l);

/// A use that may be a shower's, a hose's, a bath's or a tub's.
struct LongUse {
    double from_s = 0, litres = 0;
    double l_per_min = 0;  ///< 0: unknown.
    double doubt = 0;      ///< Of the flow's logarithm.
    double pauses = 0;     ///< The share of its time in which nothing ran.
    double weight = 1;     ///< How probable it is no flush and no tap.
    double hour = 0;       ///< As an angle.
};

/// The house's long uses, to hold one against the others at its flow.
class LongUses {
public:
    LongUses(std::vector<LongUse> uses, double quiet_s, double days);

    struct About {
        double faster_than = -1;  ///< The share of the others.
        double to_slow = 9;  ///< Logarithm of the flow to that of the slowest fifth, and to the middle one.
        double to_middle = 9;
        double a_day = -9;    ///< Others at this flow, as a logarithm.
        double of_all = -1;   ///< Others at this flow, of all others.
        double on_days = -1;  ///< The share of the days on which one of them ran.
        double alike = -1;    ///< Of those at this flow, the share that has this volume, too.
        double larger = 0;    ///< Logarithm of the volume to theirs.
        double spread = -1;   ///< Of their volumes' logarithm.
        double pauses = -1;
        double hour_sine = 0, hour_cosine = 0;
    };
    [[nodiscard]] About about(const LongUse& use) const;

private:
    std::vector<LongUse> uses_;
    double days_ = 1;
    double slow_ = 0, middle_ = 0;
};

/// How probable each label is.
using LabelShares = std::array<double, draw_label_count>;

/// A group of portions that is one use, as numbers that the trees of draw_labels_trees.cpp ask about. The
/// first of them are known before any use has a label; the others need the first answers.
inline constexpr std::size_t first_feature_count = 57;
inline constexpr std::size_t feature_count = first_feature_count + 38;
using Features = std::array<float, feature_count>;

/// The uses of a house, and what is known of each.
struct UsesSeen {
    struct Use {
        double from_s = 0, to_s = 0, litres = 0;
        double l_per_min = 0;  ///< 0: unknown.
        double blur_s = 0;
        /// Uses of the same volume and flow, and some that are nearly like it.
        std::vector<std::uint32_t> like, nearly_like;
    };
    std::vector<Use> uses;
    std::vector<Features> features;
};

/// What is known of each group: itself, its company, and how often the house has its like.
[[nodiscard]] UsesSeen uses_seen(const std::vector<Portion>& portions, const std::vector<Kind>& kinds,
                                 const Division& division, double pulse_value_l);

/// Joins pieces to uses, and tells what is known of each.
[[nodiscard]] UsesSeen join_uses(std::vector<Draw>& draws, double pulse_value_l);

/// Adds what the first answers say of each use's like and company: the other features.
void look_again(UsesSeen& seen, const std::vector<LabelShares>& first_answers);

/// How far the answers' logarithms are believed where each tick is told, where readings lie up to 90 s apart,
/// and where they lie farther apart (temperature scaling, C. Guo et al., "On calibration of modern neural
/// networks", ICML 2017; from memory): less than 1 where homes that taught nothing showed them too sure.
using Sureness = std::array<double, 3>;
[[nodiscard]] std::size_t sureness_class(double blur_s);

/// What tells how probable each label is: a first answer, and another that knows the first ones of the whole
/// house. Boosted regression trees (J. H. Friedman, "Greedy function approximation: a gradient boosting
/// machine", Annals of Statistics 29(5), 2001); answers that are asked again with those of the neighbours in
/// view: stacked sequential learning (W. W. Cohen and V. R. Carvalho, IJCAI 2005; from memory).
struct Namer {
    std::function<LabelShares(const Features&)> first;
    std::function<LabelShares(const Features&)> second;
    Sureness sureness{1, 1, 1};
};

/// What tests/draws/teach taught.
[[nodiscard]] const Namer& taught_namer();

/// What a namer says of each use.
[[nodiscard]] std::vector<LabelShares> shares_of(UsesSeen& seen, const Namer& namer);

/// Lets what people told of uses count for those like them: their label's share grows, and they get its name.
void heed_told(std::span<const ToldDraw> told, std::vector<Draw>& draws, std::vector<LabelShares>& shares,
               double pulse_value_l);

/// Gives the uses that people told of the label and the name that they told.
void mark_told(std::span<const ToldDraw> told, std::vector<Draw>& draws, double pulse_value_l);

/// label_draws() with trees other than the taught ones: the study asks what a home would be told whose like
/// taught nothing.
void label_draws_by(const Namer& namer, std::vector<Draw>& draws, double pulse_value_l,
                    std::span<const ToldDraw> told = {});

}  // namespace tickledger
