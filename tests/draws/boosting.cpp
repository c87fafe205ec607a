#include "draws/boosting.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <utility>

namespace tickledger::draws {

namespace {

constexpr int bins = 48;

/// Each feature in bins of about as many examples each.
struct Binned {
    std::vector<std::array<std::uint8_t, feature_count>> rows;
    std::array<std::vector<float>, feature_count> upper;
};

Binned binned(const std::vector<Example>& examples) {
    Binned all;
    all.rows.resize(examples.size());
    for (std::size_t f = 0; f < feature_count; ++f) {
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

    TaughtTree grow(const std::vector<double>& gradient, const std::vector<double>& curvature,
                    std::vector<double>& answers) {
        gradient_ = &gradient;
        curvature_ = &curvature;
        answers_ = &answers;
        tree_ = {};
        std::vector<std::uint32_t> rows(gradient.size());
        for (std::size_t i = 0; i < rows.size(); ++i)
            rows[i] = static_cast<std::uint32_t>(i);
        split(rows, 0);
        return std::move(tree_);
    }

private:
    void split(std::vector<std::uint32_t>& rows, int depth) {
        double g = 0, h = 0;
        for (const auto row : rows)
            g += (*gradient_)[row], h += (*curvature_)[row];
        int best_feature = -1, best_bin = 0;
        double best_gain = 1e-3;
        const double alone = g * g / (h + teaching_.calm);
        if (depth < teaching_.depth && h > 2 * teaching_.least_weight) {
            std::vector<std::array<std::array<double, 2>, bins>> sums(feature_count);
            for (const auto row : rows) {
                for (std::size_t f = 0; f < feature_count; ++f) {
                    auto& sum = sums[f][data_.rows[row][f]];
                    sum[0] += (*gradient_)[row], sum[1] += (*curvature_)[row];
                }
            }
            for (std::size_t f = 0; f < feature_count; ++f) {
                double left_g = 0, left_h = 0;
                for (std::size_t b = 0; b < data_.upper[f].size(); ++b) {
                    left_g += sums[f][b][0], left_h += sums[f][b][1];
                    const double right_g = g - left_g, right_h = h - left_h;
                    if (left_h < teaching_.least_weight || right_h < teaching_.least_weight) continue;
                    const double gain = left_g * left_g / (left_h + teaching_.calm) +
                                        right_g * right_g / (right_h + teaching_.calm) - alone;
                    if (gain <= best_gain) continue;
                    best_gain = gain, best_feature = static_cast<int>(f), best_bin = static_cast<int>(b);
                }
            }
        }
        const std::size_t here = tree_.nodes.size();
        tree_.nodes.emplace_back();
        if (best_feature < 0) {
            const double answer = teaching_.rate * g / (h + teaching_.calm);
            tree_.nodes[here].value = static_cast<float>(answer);
            for (const auto row : rows)
                (*answers_)[row] += answer;
            return;
        }
        const auto f = static_cast<std::size_t>(best_feature);
        std::vector<std::uint32_t> left, right;
        for (const auto row : rows)
            (data_.rows[row][f] <= best_bin ? left : right).push_back(row);
        rows = {};
        tree_.nodes[here].feature = best_feature;
        tree_.nodes[here].value = data_.upper[f][static_cast<std::size_t>(best_bin)];
        split(left, depth + 1);
        tree_.nodes[here].otherwise = static_cast<int>(tree_.nodes.size() - here);
        split(right, depth + 1);
    }

    const Binned& data_;
    const Teaching& teaching_;
    const std::vector<double>* gradient_ = nullptr;
    const std::vector<double>* curvature_ = nullptr;
    std::vector<double>* answers_ = nullptr;
    TaughtTree tree_;
};

}  // namespace

std::vector<TaughtTree> teach(const std::vector<Example>& examples, const Teaching& teaching) {
    const Binned data = binned(examples);
    const std::size_t n = examples.size();
    std::vector<std::vector<double>> scores(taught_labels, std::vector<double>(n, 0));
    std::vector<double> weights(n, 0);
    for (std::size_t i = 0; i < n; ++i) {
        for (std::size_t label = 0; label < taught_labels; ++label)
            weights[i] += examples[i].litres[label];
    }
    std::vector<TaughtTree> trees;
    Grower grower(data, teaching);
    std::vector<double> gradient(n), curvature(n);
    for (int round = 0; round < teaching.rounds; ++round) {
        const auto before = scores;
        for (std::size_t label = 0; label < taught_labels; ++label) {
            for (std::size_t i = 0; i < n; ++i) {
                double sum = 0;
                for (std::size_t other = 0; other < taught_labels; ++other)
                    sum += std::exp(before[other][i] - before[label][i]);
                const double share = 1 / sum;
                gradient[i] = examples[i].litres[label] - weights[i] * share;
                curvature[i] = weights[i] * share * (1 - share);
            }
            TaughtTree tree = grower.grow(gradient, curvature, scores[label]);
            tree.label = static_cast<int>(label);
            trees.push_back(std::move(tree));
        }
    }
    return trees;
}

Namer namer_of(std::vector<TaughtTree> trees) {
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

std::string table_of(const std::vector<TaughtTree>& trees) {
    std::string nodes;
    std::string heads;
    std::size_t count = 0;
    for (const TaughtTree& tree : trees) {
        heads += fmt::format("    {{{}, {}}},\n", tree.label, count);
        for (const TaughtNode& node : tree.nodes)
            nodes += fmt::format("    {{{}, {}, {:.4e}F}},\n", node.feature, node.otherwise, node.value);
        count += tree.nodes.size();
    }
    return fmt::format(
        "// Written by tests/draws/teach; not by hand.\nconstexpr std::size_t taught_labels = {};\n"
        "constexpr Node nodes[] = {{\n{}}};\nconstexpr Tree trees[] = {{\n{}}};\n",
        taught_labels, nodes, heads);
}

}  // namespace tickledger::draws
