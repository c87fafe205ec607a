// Teaches the trees that name the draws, and writes them as daemon/core/draw_labels_trees.inc.
//
//   tickledger-draws-teach OUT [--homes N] [--real DIRECTORY]
//
// From simulated homes and, where they are given, of the flat the odd weeks (its cistern refilling at 2, 4
// and 7 L/min, because its flow is not known) and of the house of five the second week. The study reports on
// others.
#include <fmt/format.h>

#include <cstdlib>
#include <fstream>
#include <functional>
#include <string>
#include <vector>

#include "draws/boosting.hpp"

using namespace tickledger;
using namespace tickledger::draws;
using std::chrono::minutes;

int main(int argc, char** argv) {
    if (argc < 2) {
        fmt::print(stderr, "Name the file to write.\n");
        return 2;
    }
    int homes = 40;
    std::string real;
    for (int i = 2; i + 1 < argc; i += 2) {
        const std::string option = argv[i];
        if (option == "--homes") homes = std::max(1, std::atoi(argv[i + 1]));
        if (option == "--real") real = argv[i + 1];
    }
    constexpr std::uint64_t first_seed = 700'000;
    std::vector<Example> all;
    const auto add = [&](const Home& home, const MeterAndNode& meter, double weight,
                         const std::function<bool(int)>& is_taught) {
        for (Example& example : examples(home, meter, is_taught)) {
            for (double& litres : example.litres)
                litres *= weight;
            all.push_back(example);
        }
    };
    for (const MeterAndNode& meter :
         {MeterAndNode{1, {}}, MeterAndNode{0.1, minutes{1}}, MeterAndNode{1, minutes{1}},
          MeterAndNode{1, minutes{3}}, MeterAndNode{0.1, {}}}) {
        for (int i = 0; i < homes; ++i)
            add(wild_home(first_seed + static_cast<std::uint64_t>(i), 21), meter, 1,
                [](int week) { return week == 2; });
        for (const double l_per_min : {2.0, 4.0, 7.0}) {
            if (const auto home = flat(real, l_per_min))
                add(*home, meter, 1.0 / 3, [](int week) { return week % 2 == 1; });
        }
        if (const auto home = house_of_five(real)) add(*home, meter, 1, [](int week) { return week == 1; });
    }
    fmt::print("{} examples\n", all.size());
    Teaching teaching;
    teaching.rounds = 30;
    std::ofstream(argv[1]) << table_of(teach(all, teaching));
}
