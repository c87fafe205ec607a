#include "draws/boosting.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <utility>

namespace tickledger::draws {

namespace {

constexpr int bins = 48;

/// Each feature in bins with about the same number of examples.
struct Binned {
    std::vector<std::array<std::uint8_t, feature_count>> rows;
    std::array<std::vector<float>, feature_count> upper;
};

Binned binned(const std::vector<Example>& examples, std::size_t features) {
    Binned all;
    all.rows.resize(examples.size());
    for (std::size_t f = 0; f < features; ++f) {
        std::vector<float> values;
        for (std::size_t i = 0; i < examples.size(); i += 1 + examples.size() / 50'000)
            values.push_back(examples[i].features[f]);
        std::sort(values.begin(), values.end());
        std::vector<float>& upper = all.upper[f];
        for (int b = 1; b < bins; ++b) {
            const float at = values[values.size() * static_cast<std::size_t>(b) / bins];
            if (upper.empty() || at > upper.back()) upper.push_back(at);
        }
        for (std::size_t i = 0; i < examples.size(); ++i) {
            const auto place = std::lower_bound(upper.begin(), upper.end(), examples[i].features[f]);
            all.rows[i][f] = static_cast<std::uint8_t>(place - upper.begin());
        }
    }
    return all;
}

class Grower {
public:
    Grower(const Binned& data, const Teaching& teaching) : data_(data), teaching_(teaching) {}

    /// A tree that follows the gradient, trained on some of the rows and some of the features.
    TaughtTree grow(const std::vector<double>& gradient, const std::vector<double>& curvature) {
        gradient_ = &gradient;
        curvature_ = &curvature;
        tree_ = {};
        bins_.clear();
        std::vector<std::uint32_t> rows;
        for (std::size_t i = 0; i < gradient.size(); ++i) {
            if (is_chosen()) rows.push_back(static_cast<std::uint32_t>(i));
        }
        features_.clear();
        for (std::size_t f = 0; f < teaching_.features; ++f) {
            if (is_chosen()) features_.push_back(f);
        }
        split(rows, 0);
        return std::move(tree_);
    }

    /// Adds the newest tree's answer for each row.
    void add_answers(const TaughtTree& tree, std::vector<double>& answers) const {
        for (std::size_t row = 0; row < answers.size(); ++row) {
            std::size_t at = 0;
            while (tree.nodes[at].feature >= 0) {
                const bool yes =
                    data_.rows[row][static_cast<std::size_t>(tree.nodes[at].feature)] <= bins_[at];
                at += yes ? 1 : static_cast<std::size_t>(tree.nodes[at].otherwise);
            }
            answers[row] += static_cast<double>(tree.nodes[at].value);
        }
    }

private:
    /// True for the given share of the calls. A linear congruential generator is random enough (constants:
    /// D. E. Knuth, MMIX; from memory).
    bool is_chosen() {
        state_ = state_ * 6364136223846793005U + 1442695040888963407U;
        return static_cast<double>(state_ >> 11U) * 0x1p-53 < teaching_.share;
    }

    void split(std::vector<std::uint32_t>& rows, int depth) {
        double g = 0, h = 0;
        for (const auto row : rows)
            g += (*gradient_)[row], h += (*curvature_)[row];
        std::size_t best_feature = feature_count;
        std::size_t best_bin = 0;
        double best_gain = 1e-3;
        const double alone = g * g / (h + teaching_.calm);
        if (depth < teaching_.depth && h > 2 * teaching_.least_weight) {
            std::vector<std::array<std::array<double, 2>, bins>> sums(features_.size());
            for (const auto row : rows) {
                const auto& of_row = data_.rows[row];
                const double row_g = (*gradient_)[row], row_h = (*curvature_)[row];
                for (std::size_t n = 0; n < features_.size(); ++n) {
                    auto& sum = sums[n][of_row[features_[n]]];
                    sum[0] += row_g, sum[1] += row_h;
                }
            }
            for (std::size_t n = 0; n < features_.size(); ++n) {
                double left_g = 0, left_h = 0;
                for (std::size_t b = 0; b < data_.upper[features_[n]].size(); ++b) {
                    left_g += sums[n][b][0], left_h += sums[n][b][1];
                    const double right_g = g - left_g, right_h = h - left_h;
                    if (left_h < teaching_.least_weight || right_h < teaching_.least_weight) continue;
                    const double gain = left_g * left_g / (left_h + teaching_.calm) +
                                        right_g * right_g / (right_h + teaching_.calm) - alone;
                    if (gain <= best_gain) continue;
                    best_gain = gain, best_feature = features_[n], best_bin = b;
                }
            }
        }
        const std::size_t here = tree_.nodes.size();
        tree_.nodes.emplace_back();
        bins_.push_back(static_cast<std::uint8_t>(best_bin));
        if (best_feature == feature_count) {
            tree_.nodes[here].value = static_cast<float>(teaching_.rate * g / (h + teaching_.calm));
            return;
        }
        std::vector<std::uint32_t> left, right;
        for (const auto row : rows)
            (data_.rows[row][best_feature] <= best_bin ? left : right).push_back(row);
        rows = {};
        tree_.nodes[here].feature = static_cast<int>(best_feature);
        tree_.nodes[here].value = data_.upper[best_feature][best_bin];
        split(left, depth + 1);
        tree_.nodes[here].otherwise = static_cast<int>(tree_.nodes.size() - here);
        split(right, depth + 1);
    }

    const Binned& data_;
    const Teaching& teaching_;
    const std::vector<double>* gradient_ = nullptr;
    const std::vector<double>* curvature_ = nullptr;
    std::vector<std::size_t> features_;
    std::uint64_t state_ = 1;
    TaughtTree tree_;
    std::vector<std::uint8_t> bins_;  ///< The bin of each question of the tree.
};

}  // namespace

std::vector<TaughtTree> teach(const std::vector<Example>& examples, const Teaching& teaching) {
    const Binned data = binned(examples, teaching.features);
    const std::size_t n = examples.size();
    std::vector<std::vector<double>> scores(taught_labels, std::vector<double>(n, 0));
    auto odds = scores;
    std::vector<double> weights(n, 0);
    for (std::size_t i = 0; i < n; ++i) {
        for (std::size_t label = 0; label < taught_labels; ++label)
            weights[i] += examples[i].litres[label];
    }
    std::vector<TaughtTree> trees;
    Grower grower(data, teaching);
    std::vector<double> gradient(n), curvature(n);
    for (int round = 0; round < teaching.rounds; ++round) {
        std::vector<double> all(n, 0);
        for (std::size_t label = 0; label < taught_labels; ++label) {
            for (std::size_t i = 0; i < n; ++i)
                all[i] += odds[label][i] = std::exp(scores[label][i]);
        }
        for (std::size_t label = 0; label < taught_labels; ++label) {
            for (std::size_t i = 0; i < n; ++i) {
                const double share = odds[label][i] / all[i];
                gradient[i] = examples[i].litres[label] - weights[i] * share;
                curvature[i] = weights[i] * share * (1 - share);
            }
            TaughtTree tree = grower.grow(gradient, curvature);
            grower.add_answers(tree, scores[label]);
            tree.label = static_cast<int>(label);
            trees.push_back(std::move(tree));
        }
    }
    return trees;
}

std::function<LabelShares(const Features&)> answers_of(std::vector<TaughtTree> trees) {
    return [trees = std::move(trees)](const Features& features) {
        std::array<double, draw_label_count> shares{};
        for (const TaughtTree& tree : trees) {
            std::size_t at = 0;
            while (tree.nodes[at].feature >= 0) {
                const TaughtNode& node = tree.nodes[at];
                const bool yes = features.at(static_cast<std::size_t>(node.feature)) <= node.value;
                at += yes ? 1 : static_cast<std::size_t>(node.otherwise);
            }
            shares.at(static_cast<std::size_t>(tree.label)) += static_cast<double>(tree.nodes[at].value);
        }
        double sum = 0;
        for (std::size_t label = 0; label < shares.size(); ++label)
            sum += shares.at(label) = label < taught_labels ? std::exp(shares.at(label)) : 0;
        for (double& share : shares)
            share /= sum;
        return shares;
    };
}

std::string table_of(const std::vector<TaughtTree>& trees, const std::string& name) {
    constexpr std::size_t in_a_line = 6;
    std::string nodes;
    std::string heads;
    std::size_t count = 0;
    for (std::size_t i = 0; i < trees.size(); ++i) {
        heads +=
            fmt::format("{{{}, {}}},{}", trees[i].label, count, i % in_a_line + 1 == in_a_line ? "\n" : "");
        for (const TaughtNode& node : trees[i].nodes)
            nodes += fmt::format("{{{},{},{:#.4g}F}},{}", node.feature, node.otherwise, node.value,
                                 ++count % in_a_line == 0 ? "\n" : "");
    }
    return fmt::format("constexpr Node {0}_nodes[] = {{\n{1}}};\nconstexpr Tree {0}_trees[] = {{\n{2}}};\n",
                       name, nodes, heads);
}

}  // namespace tickledger::draws
