// The study's pictures, as SVG.
#pragma once

#include <string>
#include <vector>

#include "draws/score.hpp"

namespace tickledger::draws {

/// A curve of the share that was right over the given confidence.
struct Curve {
    std::string name;
    Score score;
};

[[nodiscard]] std::string reliability_picture(const std::vector<Curve>& curves);

struct NamedDay {
    std::string home;
    ToldDay day;
};

/// For each day, a lane with the true uses above a lane with the draws found. Colours show the label, heights
/// the flow.
[[nodiscard]] std::string days_picture(const std::vector<NamedDay>& days);

}  // namespace tickledger::draws
