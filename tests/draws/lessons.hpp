// What the trees are taught with: simulated homes and, where they are given, the two real ones.
#pragma once

#include <functional>
#include <string>
#include <vector>

#include "draws/boosting.hpp"

namespace tickledger::draws {

/// So many simulated homes teach, unless asked otherwise.
inline constexpr int lesson_homes = 160;

/// Where a lesson comes from, so that a home can be left out.
enum class Source { simulated, flat, house_of_five };

/// One home at one meter.
struct HomeLesson {
    Source source = Source::simulated;
    bool is_odd = false;  ///< Homes of one half are answered by what the other half taught.
    double weight = 1;    ///< Of its litres.
    std::vector<Lesson> weeks;
};

/// The homes from seed 700 000; the flat, its cistern refilling at 2, 4 and 7 L/min because its flow is not
/// known; the house of five.
[[nodiscard]] std::vector<HomeLesson> lessons(int homes, const std::string& real);

/// What lessons taught.
struct Taught {
    std::vector<TaughtTree> first;
    std::vector<TaughtTree> second;
    Sureness sureness{1, 1, 1};
};

/// Two halves of the homes are taught apart, and both halves' trees answer together. How sure they may be is
/// measured on the half that each has not seen.
[[nodiscard]] Taught taught_by(const std::vector<HomeLesson>& lessons,
                               const std::function<bool(Source source)>& is_heard);

[[nodiscard]] Namer namer_of(const Taught& taught);

}  // namespace tickledger::draws
