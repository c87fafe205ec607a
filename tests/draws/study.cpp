// Measures draws and labels on simulated houses that no tuning saw, and writes the tables of docs/draws.md.
//
//   tickledger-draws-study [--houses N] [--table FILE]
//
// Called by ./tests/draws/study, which puts the tables into the page.
#include <fmt/format.h>

#include <algorithm>
#include <cstdlib>
#include <fstream>
#include <string>

#include "draws/trial.hpp"

namespace {

using namespace tickledger;
using namespace tickledger::draws;

/// The tuning used seeds from 900 000 to 900 060 and looked at those from 1 200 000; the tests use those from
/// 600 000.
constexpr std::uint64_t first_seed = 41'000'000;

Outcome measure_houses(int houses, double pulse_value_l, int cadence_s) {
    Outcome sum;
    for (int i = 0; i < houses; ++i) {
        sum += measure({.seed = first_seed + static_cast<std::uint64_t>(i),
                        .pulse_value_l = pulse_value_l,
                        .cadence = std::chrono::seconds{cadence_s}});
    }
    return sum;
}

std::string percent(double part, double whole) {
    return whole > 0 ? fmt::format("{:.1f} %", 100 * part / whole) : "–";
}

std::string row_of(double pulse_value_l, int cadence_s, int houses) {
    const Outcome outcome = measure_houses(houses, pulse_value_l, cadence_s);
    return fmt::format("| {:g} | {} | {} | {} | {} | {} | {} |\n", pulse_value_l,
                       cadence_s == 0 ? "at each tick, to 1 s" : fmt::format("{} s", cadence_s), houses,
                       percent(outcome.found, outcome.countable), percent(outcome.alone_found, outcome.alone),
                       percent(outcome.found - outcome.alone_found, outcome.countable - outcome.alone),
                       percent(outcome.labelled_l, outcome.volume_l));
}

std::string confusion(const Outcome& outcome) {
    std::string text = "| was | L |";
    std::string line = "|---|---|";
    for (int told = 0; told < draw_label_count; ++told) {
        text += fmt::format(" {} |", name_of(static_cast<DrawLabel>(told)));
        line += "---|";
    }
    text += " none told |\n" + line + "---|\n";
    for (int truth = 0; truth < draw_label_count; ++truth) {
        const auto& row = outcome.confusion_l.at(static_cast<std::size_t>(truth));
        double sum_l = 0;
        for (const double volume_l : row)
            sum_l += volume_l;
        if (sum_l <= 0) continue;
        text += fmt::format("| {} | {:.0f} |", name_of(static_cast<DrawLabel>(truth)), sum_l);
        for (const double volume_l : row)
            text += " " + percent(volume_l, sum_l) + " |";
        text += "\n";
    }
    return text;
}

std::string honesty(const Outcome& outcome) {
    std::string text = "| confidence told | share of the water | right |\n|---|---|---|\n";
    for (std::size_t tenth = 0; tenth < outcome.confidence_l.size(); ++tenth) {
        if (outcome.confidence_l.at(tenth) <= 0) continue;
        text += fmt::format("| {:.1f} to {:.1f} | {} | {} |\n", static_cast<double>(tenth) / 10,
                            static_cast<double>(tenth + 1) / 10,
                            percent(outcome.confidence_l.at(tenth), outcome.volume_l),
                            percent(outcome.right_l.at(tenth), outcome.confidence_l.at(tenth)));
    }
    return text;
}

}  // namespace

int main(int argc, char** argv) {
    int houses = 1000;
    std::string table_file = "/dev/stdout";
    for (int i = 1; i + 1 < argc; i += 2) {
        const std::string option = argv[i];
        if (option == "--houses") houses = std::max(10, std::atoi(argv[i + 1]));
        if (option == "--table") table_file = argv[i + 1];
    }
    std::ofstream page(table_file);
    page << "| L a tick | the node tells | houses of 14 days | found | of those alone | of those beside "
            "others | "
            "litres rightly labelled |\n|---|---|---|---|---|---|---|\n";
    page << row_of(1, 0, houses);
    for (const int cadence_s : {1, 10, 30, 60, 180, 900})
        page << row_of(1, cadence_s, houses / 5);
    for (const double pulse_value_l : {0.1, 10.0})
        page << row_of(pulse_value_l, 0, houses / 5);
    const Outcome usual = measure_houses(houses, 1, 0);
    page << "\nWhat was labelled as what, at 1 L and pulse times of 1 s, in shares of the litres:\n\n"
         << confusion(usual) << "\nHow far the confidence can be trusted:\n\n"
         << honesty(usual);
}
