// Measures the leak detectors on simulated house-months that were not used for tuning, and writes the tables
// and the plot's data for docs/alarms.md.
//
//   tickledger-study [--months N] [--table FILE] [--plot FILE]
//
// ./tests/alarms/study calls it, puts the tables into the page and draws the plot.
#include <fmt/format.h>

#include <algorithm>
#include <cstdio>
#include <cstdlib>
#include <fstream>
#include <string>
#include <vector>

#include "alarms/study_uses.hpp"
#include "alarms/trial.hpp"
#include "tickledger/stillness.hpp"

namespace {

using namespace tickledger;
using namespace tickledger::alarms;

/// The tuning used seeds from 700 000 to 802 000, and the tests use those from 500 000 on.
constexpr std::uint64_t first_seed = 31'000'000;
constexpr double months_a_year = 365.25 / month_days;

struct Case {
    double pulse_value_l;
    int cadence_min;
    int months;
};

struct Line {
    double leak_l_per_h = 0;
    int months = 0;
    int first_nights = 0;
    int first_nights_found = 0;
    int nights = 0;
    int nights_undecided = 0;
    int night_raised = 0;
    int slow_raised = 0;
    int slow_within_7_days = 0;
    int slow_within_14_days = 0;
    std::vector<double> slow_delays_days;

    [[nodiscard]] double first_night_share() const {
        return first_nights > 0 ? static_cast<double>(first_nights_found) / first_nights : 0;
    }
    [[nodiscard]] double share(int count) const { return static_cast<double>(count) / months; }
    [[nodiscard]] double a_house_year(int count) const { return count * months_a_year / months; }
    [[nodiscard]] std::string median_delay() {
        if (slow_delays_days.size() * 2 < static_cast<std::size_t>(months)) return "–";
        const auto middle = slow_delays_days.begin() + months / 2;
        std::nth_element(slow_delays_days.begin(), middle, slow_delays_days.end());
        return fmt::format("{:.1f}", *middle);
    }
};

Line measure(const Case& of, double leak_l_per_h) {
    Line line;
    line.leak_l_per_h = leak_l_per_h;
    line.months = of.months;
    for (int i = 0; i < of.months; ++i) {
        const Month month = month_of({.seed = first_seed + static_cast<std::uint64_t>(i),
                                      .pulse_value_l = of.pulse_value_l,
                                      .cadence = std::chrono::minutes{of.cadence_min},
                                      .leak_l_per_h = leak_l_per_h});
        const Outcome outcome = watch(month);
        line.nights += outcome.nights_decided + outcome.nights_undecided;
        line.nights_undecided += outcome.nights_undecided;
        if (outcome.first_night_found) ++line.first_nights;
        if (outcome.first_night_found.value_or(false)) ++line.first_nights_found;
        line.night_raised += static_cast<int>(outcome.night_raised.size());
        line.slow_raised += static_cast<int>(outcome.slow_raised.size());
        if (!month.leak_from || outcome.slow_raised.empty()) continue;
        const double days =
            std::chrono::duration<double>(outcome.slow_raised.front() - *month.leak_from).count() / 86'400;
        line.slow_delays_days.push_back(days);
        if (days <= 7) ++line.slow_within_7_days;
        if (days <= 14) ++line.slow_within_14_days;
    }
    return line;
}

double smallest_visible(const Case& of) {
    MeterSettings meter;
    meter.pulse_value_l = {static_cast<std::int64_t>(of.pulse_value_l * 10 + 0.5), 10};
    meter.cadence = std::chrono::minutes{of.cadence_min};
    return *smallest_visible_leak_l_per_h(meter);
}

/// The leaks that are tried with a meter: multiples of the smallest that night-flow sees.
std::vector<double> leaks_of(const Case& of) {
    std::vector<double> leaks;
    for (const double of_visible : {0.0625, 0.125, 0.25, 0.5, 0.75, 1.0, 2.0, 4.0})
        leaks.push_back(of_visible * smallest_visible(of));
    return leaks;
}

std::string row_of(const Case& of, Line line) {
    const auto percent = [](double share) { return fmt::format("{:.1f} %", share * 100); };
    return fmt::format("| {:g} | {} | {} | {:g} | {} | {} | {} | {} | {} | {} |\n", of.pulse_value_l,
                       of.cadence_min, line.months, line.leak_l_per_h, percent(line.first_night_share()),
                       percent(static_cast<double>(line.nights_undecided) / line.nights),
                       percent(line.share(static_cast<int>(line.slow_delays_days.size()))),
                       percent(line.share(line.slow_within_7_days)),
                       percent(line.share(line.slow_within_14_days)), line.median_delay());
}

}  // namespace

int main(int argc, char** argv) {
    int months = 1000;
    std::string table_file = "/dev/stdout";
    std::string plot_file = "/dev/null";
    for (int i = 1; i + 1 < argc; i += 2) {
        const std::string option = argv[i];
        if (option == "--months") months = std::max(10, std::atoi(argv[i + 1]));
        if (option == "--table") table_file = argv[i + 1];
        if (option == "--plot") plot_file = argv[i + 1];
    }
    std::vector<Case> cases;
    for (const double pulse_value_l : {0.1, 1.0, 2.5, 10.0}) {
        for (const int cadence_min : {1, 3, 15}) {
            const bool is_default = pulse_value_l == 1.0 && cadence_min == 3;
            cases.push_back({pulse_value_l, cadence_min, is_default ? months : months / 5});
        }
    }
    std::string detection;
    std::string false_alarms;
    std::ofstream plot(plot_file);
    for (const Case& of : cases) {
        const Line none = measure(of, 0);
        const std::string line = fmt::format("| {:g} | {} | {:.1f} | {} | {:.3f} | {} | {:.3f} |\n",
                                             of.pulse_value_l, of.cadence_min, of.months / months_a_year,
                                             none.night_raised, none.a_house_year(none.night_raised),
                                             none.slow_raised, none.a_house_year(none.slow_raised));
        false_alarms += line;
        std::fputs(line.c_str(), stderr);
        plot << fmt::format("# {:g} L, {} min\n", of.pulse_value_l, of.cadence_min);
        for (const double leak_l_per_h : leaks_of(of)) {
            const Line measured = measure(of, leak_l_per_h);
            const std::string row = row_of(of, measured);
            detection += row;
            std::fputs(row.c_str(), stderr);
            plot << fmt::format("{} {} {} {}\n", leak_l_per_h, measured.first_night_share() * 100,
                                measured.share(measured.slow_within_7_days) * 100,
                                measured.share(measured.slow_within_14_days) * 100);
        }
        plot << "\n\n";
    }
    std::ofstream table(table_file);
    table << "False alarms, in houses without a leak:\n\n"
          << "| pulse value, L | cadence, min | house-years | night-flow | a house-year | slow-leak | a "
             "house-year |\n"
          << "|---|---|---|---|---|---|---|\n"
          << false_alarms << "\nDetection:\n\n"
          << "| pulse value, L | cadence, min | house-months | leak, L/h | night-flow, first whole night | "
             "nights "
             "undecided | slow-leak, ever in the month | within 7 days | within 14 days | median, days |\n"
          << "|---|---|---|---|---|---|---|---|---|---|\n"
          << detection << "\n"
          << uses_tables(months / 5);
    return 0;
}
