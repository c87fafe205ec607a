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
#include <string>

#include "draws/lessons.hpp"

using namespace tickledger;
using namespace tickledger::draws;

int main(int argc, char** argv) {
    if (argc < 2) {
        fmt::print(stderr, "Name the file to write.\n");
        return 2;
    }
    int homes = lesson_homes;
    std::string real;
    for (int i = 2; i + 1 < argc; i += 2) {
        const std::string option = argv[i];
        if (option == "--homes") homes = std::max(1, std::atoi(argv[i + 1]));
        if (option == "--real") real = argv[i + 1];
    }
    const Lessons all = lessons(
        homes, real, [](int week) { return week % 2 == 1; }, [](int week) { return week == 1; });
    fmt::print("{} examples of simulated homes, {} of the flat, {} of the house of five\n",
               all.simulated.size(), all.flat.size(), all.house_of_five.size());
    std::ofstream(argv[1]) << table_of(taught_by({&all.simulated, &all.flat, &all.house_of_five}));
}
