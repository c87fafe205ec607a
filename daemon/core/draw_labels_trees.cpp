// The trained trees. tests/draws/teach writes draw_labels_trees.inc, which holds only data.
#include <cmath>
#include <span>

#include "core/draw_labels.hpp"

namespace tickledger {

namespace {

/// One question or, with feature -1, an answer. The "yes" branch is the next node.
struct Node {
    std::int16_t feature;
    std::int16_t otherwise;  ///< How many nodes further the branch of the larger values begins.
    float value;             ///< "Is the feature at most this?", or the answer.
};

struct Tree {
    std::int16_t label;
    std::int32_t first;
};

#include "core/draw_labels_trees.inc"

LabelShares shares_by(std::span<const Tree> trees, std::span<const Node> nodes, const Features& features) {
    LabelShares shares{};
    shares.fill(-30);
    for (std::size_t label = 0; label < taught_labels; ++label)
        shares.at(label) = 0;
    for (const Tree& tree : trees) {
        const Node* node = &nodes[static_cast<std::size_t>(tree.first)];
        while (node->feature >= 0)
            node += features.at(static_cast<std::size_t>(node->feature)) <= node->value ? 1 : node->otherwise;
        shares.at(static_cast<std::size_t>(tree.label)) += static_cast<double>(node->value);
    }
    double sum = 0;
    for (double& share : shares)
        sum += share = std::exp(share);
    for (double& share : shares)
        share /= sum;
    return shares;
}

}  // namespace

const Namer& taught_namer() {
    static const Namer namer = {
        [](const Features& features) { return shares_by(first_trees, first_nodes, features); },
        [](const Features& features) { return shares_by(second_trees, second_nodes, features); },
        Sureness{taught_sureness},
    };
    return namer;
}

}  // namespace tickledger
