// Trains the trees that label the draws and writes them as daemon/core/draw_labels_trees.inc.
//
//   tickledger-draws-teach OUT [--homes N] [--real DIRECTORY]
//
// It trains on simulated homes and, if available, on the flat and the house of five. The flow of the flat's
// cistern is not known, so the flat is used with 2, 4 and 7 L/min. The study measures homes that were not
// used for training.
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
    const Taught taught = taught_by(lessons(homes, real), [](Source) { return true; });
    std::ofstream(argv[1])
        << fmt::format(
               "// Written by tests/draws/teach; not by hand.\nconstexpr std::size_t taught_labels = {};\n"
               "constexpr Sureness taught_sureness = {{{}, {}, {}}};\n",
               taught_labels, taught.sureness[0], taught.sureness[1], taught.sureness[2])
        << table_of(taught.first, "first") << table_of(taught.second, "second");
}
