#include "draws/lessons.hpp"

#include <array>
#include <atomic>
#include <chrono>
#include <cmath>
#include <thread>

namespace tickledger::draws {

using std::chrono::minutes;

namespace {

constexpr std::array<MeterAndNode, 5> meters = {
    {{1, {}}, {0.1, minutes{1}}, {1, minutes{1}}, {1, minutes{3}}, {0.1, {}}}};

/// One value for each half of the homes, indexed by HomeLesson::is_odd.
template <typename T>
using Halves = std::array<T, 2>;

using Answers = std::function<LabelShares(const Features&)>;

std::vector<Example> examples_of(const std::vector<const HomeLesson*>& lessons, bool odd,
                                 const Answers& first) {
    std::vector<Example> all;
    for (const HomeLesson* lesson : lessons) {
        if (lesson->is_odd != odd) continue;
        for (const Lesson& week : lesson->weeks) {
            UsesSeen seen = week.seen;
            if (first) {
                std::vector<LabelShares> shares;
                for (const Features& features : seen.features)
                    shares.push_back(first(features));
                look_again(seen, shares);
            }
            for (std::size_t i = 0; i < seen.features.size(); ++i) {
                Example example{seen.features[i], week.litres[i], seen.uses[i].blur_s};
                double sum = 0;
                for (double& litres : example.litres)
                    sum += litres *= lesson->weight;
                if (sum > 0) all.push_back(example);
            }
        }
    }
    return all;
}

/// Does the work for both halves at once.
void for_both(const std::function<void(std::size_t half)>& work) {
    std::thread other([&work] { work(1); });
    work(0);
    other.join();
}

/// All trees of both halves, which together give the mean of both halves' scores.
std::vector<TaughtTree> together(Halves<std::vector<TaughtTree>> halves) {
    std::vector<TaughtTree> all;
    for (auto& half : halves) {
        for (TaughtTree& tree : half) {
            for (TaughtNode& node : tree.nodes) {
                if (node.feature < 0) node.value /= 2;
            }
            all.push_back(std::move(tree));
        }
    }
    return all;
}

/// Finds the exponent of the shares that makes the examples of one class of cadences most probable.
class Believing {
public:
    void add(const Example& example, const LabelShares& shares) {
        Seen seen{{}, example.litres};
        for (std::size_t label = 0; label < taught_labels; ++label)
            seen.logs.at(label) = std::log(std::max(shares.at(label), 1e-12));
        seen_.push_back(seen);
    }

    [[nodiscard]] double best() const {
        double best = 1;
        double most = -1e300;
        for (int percent = 40; percent <= 140 && !seen_.empty(); percent += 4) {
            const double exponent = percent / 100.0;
            double sum = 0;
            for (const Seen& one : seen_)
                sum += log_likelihood(one, exponent);
            if (sum <= most) continue;
            most = sum;
            best = exponent;
        }
        return best;
    }

private:
    struct Seen {
        std::array<double, taught_labels> logs{};
        LabelLitres litres{};
    };

    static double log_likelihood(const Seen& one, double exponent) {
        double all = 0, sum = 0;
        for (const double log : one.logs)
            all += std::exp(exponent * log);
        for (std::size_t label = 0; label < taught_labels; ++label)
            sum += one.litres.at(label) * (exponent * one.logs.at(label) - std::log(all));
        return sum;
    }

    std::vector<Seen> seen_;
};

}  // namespace

std::vector<HomeLesson> lessons(int homes, const std::string& real) {
    constexpr std::uint64_t first_seed = 700'000;
    std::vector<std::function<HomeLesson()>> tasks;
    for (const MeterAndNode& meter : meters) {
        // The flat is used three times. Its thirteen weeks must not outweigh the single weeks of other homes.
        constexpr double flat_weight = 0.4 / 3;
        for (const double l_per_min : {2.0, 4.0, 7.0}) {
            tasks.emplace_back([=] {
                const auto home = flat(real, l_per_min);
                return HomeLesson{Source::flat, false, flat_weight,
                                  home ? lessons_of(*home, meter) : std::vector<Lesson>{}};
            });
        }
        tasks.emplace_back([=] {
            const auto home = house_of_five(real);
            return HomeLesson{Source::house_of_five, true, 1,
                              home ? lessons_of(*home, meter) : std::vector<Lesson>{}};
        });
    }
    // Many homes teach more than many meters per home, so each home has only two meters.
    for (int i = 0; i < homes; ++i) {
        for (const int meter : {i, i + 2}) {
            tasks.emplace_back([=] {
                return HomeLesson{Source::simulated, i % 2 == 1, 1,
                                  lessons_of(wild_home(first_seed + static_cast<std::uint64_t>(i), 21),
                                             meters.at(static_cast<std::size_t>(meter) % meters.size()),
                                             [](int week) { return week == 2; })};
            });
        }
    }
    std::vector<HomeLesson> all(tasks.size());
    std::atomic<std::size_t> next{0};
    for_both([&](std::size_t) {
        for (std::size_t i = next++; i < tasks.size(); i = next++)
            all[i] = tasks[i]();
    });
    return all;
}

Taught taught_by(const std::vector<HomeLesson>& lessons, const std::function<bool(Source source)>& is_heard) {
    std::vector<const HomeLesson*> heard;
    for (const HomeLesson& lesson : lessons) {
        if (is_heard(lesson.source)) heard.push_back(&lesson);
    }
    Teaching teaching;
    Halves<std::vector<TaughtTree>> first, second;
    Halves<std::vector<Example>> again;
    for_both([&](std::size_t half) {
        Teaching early = teaching;
        early.features = first_feature_count;
        first.at(half) = teach(examples_of(heard, half == 1, {}), early);
    });
    for_both([&](std::size_t half) {
        again.at(half) = examples_of(heard, half == 1, answers_of(first.at(1 - half)));
        second.at(half) = teach(again.at(half), teaching);
    });
    Taught taught;
    std::array<Believing, 3> believing;
    for (std::size_t half = 0; half < 2; ++half) {
        const Answers strangers = answers_of(second.at(1 - half));
        for (const Example& example : again.at(half)) {
            believing.at(sureness_class(example.blur_s)).add(example, strangers(example.features));
        }
    }
    // Both halves together are right more often than each alone, so half of the correction is taken back.
    for (std::size_t i = 0; i < believing.size(); ++i)
        taught.sureness.at(i) = std::sqrt(believing.at(i).best());
    taught.first = together(std::move(first));
    taught.second = together(std::move(second));
    return taught;
}

Namer namer_of(const Taught& taught) {
    return {answers_of(taught.first), answers_of(taught.second), taught.sureness};
}

}  // namespace tickledger::draws
