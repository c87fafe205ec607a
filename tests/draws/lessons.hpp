// What the trees are taught with: simulated homes and, where they are given, the two real ones.
#pragma once

#include <functional>
#include <string>
#include <vector>

#include "draws/boosting.hpp"

namespace tickledger::draws {

/// So many simulated homes teach, unless asked otherwise.
inline constexpr int lesson_homes = 120;

/// Examples by the home that they come from, so that a home can be left out.
struct Lessons {
    std::vector<Example> simulated;
    std::vector<Example> flat;
    std::vector<Example> house_of_five;
};

/// The homes from seed 700 000; the flat, its cistern refilling at 2, 4 and 7 L/min because its flow is not
/// known; the house of five. `of_flat` and `of_five` say which of their weeks teach.
[[nodiscard]] Lessons lessons(int homes, const std::string& real,
                              const std::function<bool(int week)>& of_flat,
                              const std::function<bool(int week)>& of_five);

/// Trees that some of the examples taught.
[[nodiscard]] std::vector<TaughtTree> taught_by(const std::vector<const std::vector<Example>*>& examples);

}  // namespace tickledger::draws
