// The study's pictures, as SVG.
#pragma once

#include <string>
#include <vector>

#include "draws/score.hpp"

namespace tickledger::draws {

/// A curve of told confidence against what was right.
struct Curve {
    std::string name;
    Score score;
};

[[nodiscard]] std::string reliability_picture(const std::vector<Curve>& curves);

struct NamedDay {
    std::string home;
    ToldDay day;
};

/// For each day a lane of what ran above one of what was told, coloured by label, as high as the flow.
[[nodiscard]] std::string days_picture(const std::vector<NamedDay>& days);

}  // namespace tickledger::draws
