// Boosted regression trees with a softmax over labels, for examples that may have several true labels.
#pragma once

#include <cstdint>
#include <functional>
#include <string>
#include <vector>

#include "draws/score.hpp"

namespace tickledger::draws {

inline constexpr std::size_t taught_labels = 6;  ///< flush, shower, tap, washer, bath, hose.

struct TaughtNode {
    int feature = -1;
    int otherwise = 0;
    float value = 0;
};

struct TaughtTree {
    int label = 0;
    std::vector<TaughtNode> nodes;
};

struct Teaching {
    std::size_t features = feature_count;  ///< The number of leading features to use.
    int rounds = 40;
    double rate = 0.12;
    int depth = 4;
    double least_weight = 60;  ///< The sum of second derivatives (litres) that a leaf needs.
    double calm = 20;          ///< Added to that sum in a leaf's value.
    /// Each tree sees this share of the examples and of the features (J. H. Friedman, "Stochastic gradient
    /// boosting", Computational Statistics & Data Analysis 38(4), 2002; from memory).
    double share = 0.5;
};

[[nodiscard]] std::vector<TaughtTree> teach(const std::vector<Example>& examples, const Teaching& teaching);

/// The answers of these trees for a use.
[[nodiscard]] std::function<LabelShares(const Features&)> answers_of(std::vector<TaughtTree> trees);

/// The trees in the form of daemon/core/draw_labels_trees.inc. The tables' names begin with `name`.
[[nodiscard]] std::string table_of(const std::vector<TaughtTree>& trees, const std::string& name);

}  // namespace tickledger::draws
