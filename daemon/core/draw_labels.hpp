// How one house uses its water: the volumes and flows of each label, and which pieces belong together. The
// sources draw_labels_*.cpp share this header. draw.hpp is the public interface; docs/draws.md describes the
// method.
#pragma once

#include <array>
#include <cstdint>
#include <functional>
#include <vector>

#include "tickledger/draw.hpp"

namespace tickledger {

/// A piece of water for labelling: one steady stretch, or the water of one reading.
struct Portion {
    double from_s = 0;
    double to_s = 0;
    double litres = 0;
    double l_per_min = 0;   ///< 0: unknown.
    double flow_doubt = 0;  ///< Uncertainty of the flow's logarithm.
    double blur_s = 0;
    bool overlaps = false;
    /// The cut before it. Pieces of different stretches between cuts are different uses.
    Instant cut_before = Instant::min();

    /// So coarse that its length is that of the cadence, not of the water.
    [[nodiscard]] bool is_coarse() const { return blur_s > 15; }
};

/// A bell curve over the logarithm of a quantity.
struct Bell {
    double middle = 0;
    double spread = 1;

    /// The logarithm of the density at a logarithm with this uncertainty.
    [[nodiscard]] double log_density(double logarithm, double doubt) const;
    /// The logarithm of the share between two logarithms.
    [[nodiscard]] double log_share(double from, double to) const;
};

/// A kind of use that the house has: one cistern, its showers, its taps.
struct Kind {
    DrawLabel label = DrawLabel::unknown;
    double a_day = 0;
    Bell litres;
    Bell l_per_min;
    double join = 0;    ///< Logarithm of the probability that a use continues in another piece.
    double closes = 0;  ///< Logarithm of the probability that the tap is closed for a whole reading.
    /// The probabilities that the flow of one use is steady, wavers, or is unsteady.
    std::array<double, 3> wavers{};
    double drops = 0;  ///< The share of its readings in which water did not run all the time.
    double longest_gap_s = 0;
    double longest_s = 0;
    std::size_t most_pieces = 1;
    bool is_learned = false;  ///< Found in this house: a cistern's volume or a machine's fill.
};

/// Consecutive portions that are one use.
struct Grouping {
    std::size_t first = 0;
    std::size_t last = 0;  ///< Inclusive.
    std::size_t kind = 0;
};

/// The most probable uses, and the probability of each label for each portion.
struct Division {
    std::vector<Grouping> groups;
    std::vector<std::array<double, draw_label_count>> shares;
};

/// What is known of any house before its own water was seen.
[[nodiscard]] std::vector<Kind> published_kinds();

/// The volumes that recur in this house: cisterns, and machines with equal fills.
[[nodiscard]] std::vector<Kind> recurring_kinds(const std::vector<Portion>& portions, double pulse_value_l);

/// Marks portions as a machine's fills by their company: three or more at one steady flow within three hours.
[[nodiscard]] std::vector<bool> fills_of_machines(const std::vector<Portion>& portions,
                                                  const std::vector<bool>& may_be);

/// The best way to divide the portions among the kinds, and the share of each label. A hidden semi-Markov
/// model: forward and backward over all divisions (S.-Z. Yu, Artificial Intelligence 174, 2010).
[[nodiscard]] Division read_uses(const std::vector<Portion>& portions, const std::vector<Kind>& kinds,
                                 const std::vector<bool>& is_fill, double pulse_value_l);

/// A use that may be a shower, a hose, a bath or a tub.
struct LongUse {
    double from_s = 0, litres = 0;
    double l_per_min = 0;  ///< 0: unknown.
    double doubt = 0;      ///< Uncertainty of the flow's logarithm.
    double pauses = 0;     ///< The share of its time in which nothing ran.
    double weight = 1;     ///< The probability that it is neither a flush nor a tap.
    double hour = 0;       ///< Time of day, as an angle.
};

/// The house's long uses, for comparing one of them with the others at its flow.
class LongUses {
public:
    LongUses(std::vector<LongUse> uses, double quiet_s, double days);

    struct About {
        double faster_than = -1;  ///< The share of the others that are slower.
        double to_slow = 9;       ///< Logarithm of its flow to that of the slowest fifth.
        double to_middle = 9;     ///< Logarithm of its flow to the middle one.
        double a_day = -9;        ///< Logarithm of the number of others at this flow, per day.
        double of_all = -1;       ///< Others at this flow, as a share of all others.
        double on_days = -1;      ///< The share of the days on which one of them ran.
        double alike = -1;        ///< Of those at this flow, the share that also has this volume.
        double larger = 0;        ///< Logarithm of its volume to theirs.
        double spread = -1;       ///< Of the logarithms of their volumes.
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

/// A group of portions that is one use, as the numbers that the trees of draw_labels_trees.cpp ask about. The
/// first `first_feature_count` are known before any use has a label. The others need the first answers.
/// Their order is that of the trained trees: after a change run tests/draws/teach.
inline constexpr std::size_t first_feature_count = 57;
inline constexpr std::size_t feature_count = first_feature_count + 38;
using Features = std::array<float, feature_count>;

/// The uses of a house, and what is known of each.
struct UsesSeen {
    struct Use {
        double from_s = 0, to_s = 0, litres = 0;
        double l_per_min = 0;  ///< 0: unknown.
        double blur_s = 0;
        /// Uses of the same volume and flow, and some that are nearly so.
        std::vector<std::uint32_t> like, nearly_like;
    };
    std::vector<Use> uses;
    std::vector<Features> features;
};

/// What is known of each group: itself, its company, and how often the house has uses like it.
[[nodiscard]] UsesSeen uses_seen(const std::vector<Portion>& portions, const std::vector<Kind>& kinds,
                                 const Division& division, double pulse_value_l);

/// Joins pieces into uses, and returns what is known of each.
[[nodiscard]] UsesSeen join_uses(std::vector<Draw>& draws, double pulse_value_l,
                                 std::span<const Instant> cuts = {});

/// Adds the other features: what the first answers say of uses like each one and near it.
void look_again(UsesSeen& seen, const std::vector<LabelShares>& first_answers);

/// How far the logarithms of the answers are believed (temperature scaling, C. Guo et al., "On calibration of
/// modern neural networks", ICML 2017; from memory). There are three classes: each tick is known, readings
/// are up to 90 s apart, readings are farther apart. A value below 1 means that the answers were too sure in
/// homes that were left out of the training.
using Sureness = std::array<double, 3>;
[[nodiscard]] std::size_t sureness_class(double blur_s);

/// Gives the probability of each label: a first answer, and a second one that also knows the first answers of
/// the whole house.
///
/// Boosted regression trees (J. H. Friedman, "Greedy function approximation: a gradient boosting machine",
/// Annals of Statistics 29(5), 2001). Asking again with the answers of the neighbours in view is stacked
/// sequential learning (W. W. Cohen and V. R. Carvalho, IJCAI 2005; from memory).
struct Namer {
    std::function<LabelShares(const Features&)> first;
    std::function<LabelShares(const Features&)> second;
    Sureness sureness{1, 1, 1};
};

/// What tests/draws/teach trained.
[[nodiscard]] const Namer& taught_namer();

/// The namer's answer for each use.
[[nodiscard]] std::vector<LabelShares> shares_of(UsesSeen& seen, const Namer& namer,
                                                 std::span<const DrawLabel> uses = {});

/// Lets what people said of uses count for uses like them. The share of their label grows, and they get its
/// name.
void heed_told(std::span<const ToldDraw> told, std::vector<Draw>& draws, std::vector<LabelShares>& shares,
               double pulse_value_l);

/// Sets label and name of the uses that people spoke of to what they said.
void mark_told(std::span<const ToldDraw> told, std::vector<Draw>& draws, double pulse_value_l);

/// label_draws() with trees other than the built-in ones. The study uses it to label a home with trees that
/// learned from no home like it.
void label_draws_by(const Namer& namer, std::vector<Draw>& draws, double pulse_value_l,
                    const DrawHints& hints = {});

}  // namespace tickledger
