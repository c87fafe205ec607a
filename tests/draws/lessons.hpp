// What the trees are trained on: simulated homes and, if available, the two real ones.
#pragma once

#include <functional>
#include <string>
#include <vector>

#include "draws/boosting.hpp"

namespace tickledger::draws {

/// The default number of simulated homes.
inline constexpr int lesson_homes = 160;

/// The origin of a lesson. It allows a home to be left out.
enum class Source { simulated, flat, house_of_five };

/// One home at one meter.
struct HomeLesson {
    Source source = Source::simulated;
    bool is_odd = false;  ///< The half. Homes of one half are labelled by trees trained on the other half.
    double weight = 1;    ///< The weight of its litres.
    std::vector<Lesson> weeks;
};

/// The simulated homes from seed 700 000, the flat and the house of five. The flow of the flat's cistern is
/// not known, so it is used with 2, 4 and 7 L/min.
[[nodiscard]] std::vector<HomeLesson> lessons(int homes, const std::string& real);

/// The result of training.
struct Taught {
    std::vector<TaughtTree> first;
    std::vector<TaughtTree> second;
    Sureness sureness{1, 1, 1};
};

/// The trees of the two halves of the homes are trained separately and answer together. Their sureness is
/// measured on the half that they were not trained on.
[[nodiscard]] Taught taught_by(const std::vector<HomeLesson>& lessons,
                               const std::function<bool(Source source)>& is_heard);

[[nodiscard]] Namer namer_of(const Taught& taught);

}  // namespace tickledger::draws
