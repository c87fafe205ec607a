#include "draws/lessons.hpp"

#include <array>
#include <chrono>

namespace tickledger::draws {

using std::chrono::minutes;

Lessons lessons(int homes, const std::string& real, const std::function<bool(int week)>& of_flat,
                const std::function<bool(int week)>& of_five) {
    constexpr std::uint64_t first_seed = 700'000;
    Lessons all;
    const auto add = [](std::vector<Example>& list, const Home& home, const MeterAndNode& meter,
                        double weight, const std::function<bool(int)>& is_taught) {
        for (Example& example : examples(home, meter, is_taught)) {
            for (double& litres : example.litres)
                litres *= weight;
            list.push_back(example);
        }
    };
    const std::array<MeterAndNode, 5> meters = {
        {{1, {}}, {0.1, minutes{1}}, {1, minutes{1}}, {1, minutes{3}}, {0.1, {}}}};
    // Many homes teach more than many meters at each: a home has two of them.
    for (int i = 0; i < homes; ++i) {
        const Home home = wild_home(first_seed + static_cast<std::uint64_t>(i), 21);
        for (const int meter : {i, i + 2})
            add(all.simulated, home, meters.at(static_cast<std::size_t>(meter) % meters.size()), 1,
                [](int week) { return week == 2; });
    }
    // Real homes are few: each of their litres counts as some of the simulated ones.
    constexpr double real_weight = 3;
    for (const MeterAndNode& meter : meters) {
        for (const double l_per_min : {2.0, 4.0, 7.0}) {
            if (const auto home = flat(real, l_per_min))
                add(all.flat, *home, meter, real_weight / 3, of_flat);
        }
        if (const auto home = house_of_five(real)) add(all.house_of_five, *home, meter, real_weight, of_five);
    }
    return all;
}

std::vector<TaughtTree> taught_by(const std::vector<const std::vector<Example>*>& examples) {
    std::vector<Example> all;
    for (const auto* some : examples)
        all.insert(all.end(), some->begin(), some->end());
    return teach(all, Teaching{});
}

}  // namespace tickledger::draws
