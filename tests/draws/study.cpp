// Measures how many litres have the right label, on simulated homes and, if available, on real ones.
//
//   tickledger-draws-study [--homes N] [--real DIRECTORY] [--table FILE] [--pictures DIRECTORY]
//
// ./tests/draws/study calls it and puts the tables into docs/draws.md.
#include <fmt/format.h>

#include <algorithm>
#include <cstdlib>
#include <fstream>
#include <string>
#include <vector>

#include "draws/lessons.hpp"
#include "draws/pictures.hpp"
#include "draws/quantiles.hpp"

namespace {

using namespace tickledger;
using namespace tickledger::draws;
using std::chrono::minutes;

/// Training uses simulated homes from seed 700 000. Homes from seed 900 000 were used in development.
constexpr std::uint64_t first_seed = 41'000'000;

struct Named {
    const char* name;
    MeterAndNode meter;
};
const std::array<Named, 4> meters = {{{"each tick, 1 L", {1, {}}},
                                      {"1 min, 0.1 L", {0.1, minutes{1}}},
                                      {"1 min, 1 L", {1, minutes{1}}},
                                      {"3 min, 1 L", {1, minutes{3}}}}};

std::string percent(double share) {
    return fmt::format("{:.1f} %", 100 * share);
}

std::string share_of(const Score& score, DrawLabel label) {
    return score.litres(label) > 0 ? percent(score.recall(label)) : "–";
}

std::string row_of(const char* meter, const std::string& home, const Score& score) {
    return fmt::format("| {} | {} | {:.0f} | {} | {} | {} | {} | {} | {:.3f} |\n", meter, home,
                       score.volume_l, percent(score.right_share()), share_of(score, DrawLabel::shower),
                       share_of(score, DrawLabel::flush), share_of(score, DrawLabel::tap),
                       share_of(score, DrawLabel::washer), score.calibration_error());
}

/// The share of all uses' litres that were labelled as a leak.
std::string taken_for_leak(const Score& score) {
    double uses_l = 0;
    double taken_l = 0;
    for (std::size_t i = 0; i < score.confusion_l.size(); ++i) {
        const auto label = static_cast<DrawLabel>(i);
        if (label == DrawLabel::leak) continue;
        uses_l += score.litres(label);
        taken_l += score.confusion_l.at(i).at(static_cast<std::size_t>(DrawLabel::leak));
    }
    return uses_l > 0 ? percent(taken_l / uses_l) : "–";
}

Score simulated(int homes, const MeterAndNode& meter, double leak_l_per_h) {
    Score sum;
    for (int i = 0; i < homes; ++i) {
        Home home = wild_home(first_seed + static_cast<std::uint64_t>(i), 21);
        if (leak_l_per_h > 0) home = with_leak(std::move(home), leak_l_per_h, static_cast<std::uint64_t>(i));
        sum += score(home, meter, [](int week) { return week == 2; });
    }
    return sum;
}

/// A home, and trees that were trained without it.
struct RealHome {
    std::string name;
    Home home;
    Namer strangers;
    bool is_twin = false;  ///< The same home again with other assumptions.
};

std::vector<RealHome> real_homes(const std::string& real) {
    std::vector<RealHome> all;
    const auto cistern = flat(real, 7);
    const auto slow_cistern = flat(real, 2);
    const auto five = house_of_five(real);
    if (!cistern || !slow_cistern || !five) return all;
    const std::vector<HomeLesson> lesson = lessons(lesson_homes, real);
    const auto without = [&lesson](Source left_out) {
        return namer_of(taught_by(lesson, [left_out](Source source) { return source != left_out; }));
    };
    const Namer without_flat = without(Source::flat);
    const Namer without_five = without(Source::house_of_five);
    all.push_back({"the flat, its cistern at 7 L/min", *cistern, without_flat, false});
    all.push_back({"the flat, its cistern at 2 L/min", *slow_cistern, without_flat, true});
    all.push_back({"the house of five", *five, without_five, false});
    return all;
}

/// The labels given to each true label's litres.
std::string confusion(const Score& score) {
    constexpr std::size_t shown = 7;  // flush to leak
    std::string text = "| was | L |";
    for (std::size_t told = 0; told < shown; ++told)
        text += fmt::format(" {} |", name_of(static_cast<DrawLabel>(told)));
    text += "\n|---|---|---|---|---|---|---|---|---|\n";
    for (std::size_t was = 0; was < shown; ++was) {
        const double litres = score.litres(static_cast<DrawLabel>(was));
        if (litres <= 0) continue;
        text += fmt::format("| {} | {:.0f} |", name_of(static_cast<DrawLabel>(was)), litres);
        for (std::size_t told = 0; told < shown; ++told)
            text += fmt::format(" {} |", percent(score.confusion_l.at(was).at(told) / litres));
        text += "\n";
    }
    return text;
}

std::string reliability(const Score& score) {
    std::string text;
    for (std::size_t tenth = 0; tenth < score.told_l.size(); ++tenth) {
        const double told_l = score.told_l.at(tenth);
        if (told_l <= 0) continue;
        text += fmt::format("| {:.1f} to {:.1f} | {:.2f} | {} | {} |\n", static_cast<double>(tenth) / 10,
                            static_cast<double>(tenth + 1) / 10, score.told_confidence_l.at(tenth) / told_l,
                            percent(told_l / score.volume_l), percent(score.told_right_l.at(tenth) / told_l));
    }
    return text;
}

/// The ten days of the real homes with the largest wrongly labelled share, by trees trained without the home.
void write_worst_days(const std::vector<RealHome>& homes, const std::string& file) {
    constexpr std::size_t shown = 10;
    constexpr double least_l = 40;  // A day with hardly any water shows nothing.
    std::vector<NamedDay> days;
    for (const RealHome& one : homes) {
        if (one.is_twin) continue;
        for (ToldDay& day : told_days(one.home, meters[0].meter, one.strangers)) {
            if (day.volume_l >= least_l) days.push_back({one.name, std::move(day)});
        }
    }
    std::sort(days.begin(), days.end(), [](const NamedDay& a, const NamedDay& b) {
        return a.day.wrong_l / a.day.volume_l > b.day.wrong_l / b.day.volume_l;
    });
    if (days.size() > shown) days.resize(shown);
    std::ofstream(file) << days_picture(days);
}

/// The right share in the other weeks after a person has corrected some uses of the second week.
void write_teaching(std::ostream& page, int homes, const std::vector<RealHome>& reals) {
    constexpr std::array<std::size_t, 4> said{0, 1, 5, 20};
    page
        << "\nNamed right when somebody has said what the largest wrongly named uses of the second week were:\n\n"
           "| the node tells | home | weeks | nothing said | 1 use | 5 uses | 20 uses |\n|---|---|---|---|---|---|---|\n";
    const auto row = [&](const Named& named, const std::string& name, const std::vector<RealHome>& of) {
        std::vector<std::vector<ToldDraw>> told;
        for (const RealHome& one : of)
            told.push_back(corrections(one.home, named.meter, one.strangers, 1, said.back()));
        for (const bool later : {false, true}) {
            if (later && of.front().home.days < 21) continue;  // No whole week is left.
            page << fmt::format("| {} | {} | {} |", named.name, name, later ? "later" : "before");
            for (const std::size_t most : said) {
                Score sum;
                for (std::size_t i = 0; i < of.size(); ++i) {
                    const std::span<const ToldDraw> all(told[i]);
                    sum += score(
                        of[i].home, named.meter, [later](int week) { return later ? week >= 2 : week == 0; },
                        of[i].strangers, all.first(std::min(most, all.size())));
                }
                page << " " << percent(sum.right_share()) << " |";
            }
            page << "\n" << std::flush;
        }
    };
    std::vector<RealHome> some;
    for (int i = 0; i < homes / 2; ++i)
        some.push_back(
            {"", wild_home(first_seed + static_cast<std::uint64_t>(i), 21), taught_namer(), false});
    for (const Named& named : {meters[0], meters[3]}) {
        row(named, fmt::format("{} simulated", some.size()), some);
        for (const RealHome& one : reals) {
            row(named, one.name, {one});
        }
    }
}

}  // namespace

int main(int argc, char** argv) {
    int homes = 20;
    std::string real;
    std::string pictures = ".";
    std::string table_file = "/dev/stdout";
    for (int i = 1; i + 1 < argc; i += 2) {
        const std::string option = argv[i];
        if (option == "--homes") homes = std::max(2, std::atoi(argv[i + 1]));
        if (option == "--real") real = argv[i + 1];
        if (option == "--pictures") pictures = argv[i + 1];
        if (option == "--table") table_file = argv[i + 1];
    }
    std::ofstream page(table_file);
    const std::vector<RealHome> reals = real_homes(real);
    page
        << "| the node tells | home | L | named right | of showers' | flushes' | taps' | machines' | calibration error |\n"
           "|---|---|---|---|---|---|---|---|---|\n";
    Score all_real;
    std::vector<Curve> curves;
    std::string confusions;
    for (const Named& named : meters) {
        const std::string simulated_name = fmt::format("{} simulated", homes);
        const Score of_simulated = simulated(homes, named.meter, 0);
        page << row_of(named.name, simulated_name, of_simulated) << std::flush;
        const auto add_confusion = [&](const std::string& name, const Score& measured) {
            confusions += fmt::format("\n{}, {}:\n\n{}", name, named.name, confusion(measured));
        };
        const bool is_shown = named.meter.cadence == Duration{} || named.meter.cadence == minutes{3};
        if (is_shown) add_confusion(simulated_name, of_simulated);
        curves.push_back({fmt::format("{}, simulated", named.name), of_simulated});
        Score of_real;
        for (const RealHome& one : reals) {
            const Score measured = score(
                one.home, named.meter, [](int week) { return week >= 0; }, one.strangers);
            all_real += measured;
            of_real += measured;
            if (is_shown) add_confusion(one.name, measured);
            page << row_of(named.name, one.name, measured) << std::flush;
        }
        if (!reals.empty()) curves.push_back({fmt::format("{}, real, as strangers", named.name), of_real});
    }
    if (!reals.empty()) {
        page << "\nThe confidence on the real homes, as strangers, all four meters together:\n\n"
                "| confidence | on average | share of the water | right |\n|---|---|---|---|\n"
             << reliability(all_real)
             << fmt::format("\nCalibration error: {:.3f}.\n", all_real.calibration_error());
    }
    std::ofstream(pictures + "/draws-reliability.svg") << reliability_picture(curves);
    page << "\nOf each way of telling:\n\n| the node tells | calibration error |\n|---|---|\n";
    for (const Curve& curve : curves)
        page << fmt::format("| {} | {:.3f} |\n", curve.name, curve.score.calibration_error());
    if (!reals.empty()) write_worst_days(reals, pictures + "/draws-worst-days.svg");
    write_teaching(page, homes, reals);
    if (!reals.empty()) {
        std::vector<Home> some;
        for (int i = 0; i < homes; ++i)
            some.push_back(wild_home(first_seed + static_cast<std::uint64_t>(i), 21));
        page << "\nWhat uses are like, simulated and measured (10, 50 and 90 %):\n\n"
             << quantile_table(some, reals.front().home, reals.back().home, real);
    }
    page << "\nWhat was told as what, in shares of the litres:\n" << confusions;
    page
        << "\nWith a leak beneath, each tick at 1 L, simulated homes:\n\n"
           "| leak L/h | it ran, L | told as leak, L | named right | of showers' | flushes' | taps' | of the uses' told as leak |\n"
           "|---|---|---|---|---|---|---|---|\n";
    for (const double leak_l_per_h : {0.0, 5.0, 15.0, 30.0, 60.0}) {
        const Score measured = simulated(std::max(2, homes / 2), meters[0].meter, leak_l_per_h);
        page << fmt::format("| {:g} | {:.0f} | {:.0f} | {} | {} | {} | {} | {} |\n", leak_l_per_h,
                            measured.litres(DrawLabel::leak), measured.told_leak_l,
                            percent(measured.right_share()), share_of(measured, DrawLabel::shower),
                            share_of(measured, DrawLabel::flush), share_of(measured, DrawLabel::tap),
                            taken_for_leak(measured))
             << std::flush;
    }
}
