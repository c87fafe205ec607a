#include "draws/quantiles.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <fstream>
#include <sstream>

namespace tickledger::draws {

namespace {

using simulation::Event;
using simulation::Use;

/// One use, or one fill.
struct Measured {
    double litres = 0;
    double s = 0;
};
using Sample = std::vector<Measured>;

/// Machines are counted by their fills. Pulses that are no further apart than this are one fill.
constexpr Duration within_a_fill = std::chrono::seconds{60};

/// A smaller tap use is a drip, and a smaller shower is somebody who tests the water.
double least_litres(Use use) {
    return use == Use::shower ? 8 : 0.3;
}

Sample sample_of(const std::vector<Home>& homes, Use use, bool by_fills) {
    Sample sample;
    for (const Home& home : homes) {
        for (const Event& event : home.events) {
            if (event.use != use) continue;
            Measured one;
            const auto put = [&] {
                if (one.litres >= least_litres(use)) sample.push_back(one);
                one = {};
            };
            for (std::size_t i = 0; i < event.parts.size(); ++i) {
                const simulation::Draw& part = event.parts[i];
                if (by_fills && i > 0 && part.span.from - event.parts[i - 1].span.to > within_a_fill) put();
                one.litres += part.volume_l();
                one.s += std::chrono::duration<double>(part.span.length()).count();
            }
            put();
        }
    }
    return sample;
}

Sample showers_at_heads(const std::string& real) {
    Sample sample;
    std::ifstream in(real + "/showers.csv");
    std::string line;
    std::getline(in, line);
    while (std::getline(in, line)) {
        std::vector<std::string> row;
        std::istringstream fields(line);
        for (std::string field; std::getline(fields, field, ';');)
            row.push_back(field);
        if (row.size() < 6) continue;
        const Measured one{std::atof(row[1].c_str()), std::atof(row[5].c_str())};
        if (one.litres >= least_litres(Use::shower) && one.s > 0) sample.push_back(one);
    }
    return sample;
}

std::string cell(const Sample& sample, double (*quantity)(const Measured&), int digits) {
    if (sample.empty()) return " – |";
    std::vector<double> values;
    for (const Measured& one : sample)
        values.push_back(quantity(one));
    std::sort(values.begin(), values.end());
    std::string text;
    for (const double share : {0.1, 0.5, 0.9})
        text += fmt::format("{}{:.{}f}", text.empty() ? " " : " / ",
                            values[static_cast<std::size_t>(share * static_cast<double>(values.size() - 1))],
                            digits);
    return text + " |";
}

}  // namespace

std::string quantile_table(const std::vector<Home>& simulated, const Home& flat, const Home& house_of_five,
                           const std::string& real) {
    struct Row {
        const char* name;
        std::vector<Sample> samples;
    };
    const std::vector<Home> one{flat};
    const std::vector<Home> five{house_of_five};
    const std::vector<Row> rows = {
        {"shower",
         {sample_of(simulated, Use::shower, false), sample_of(one, Use::shower, false),
          sample_of(five, Use::shower, false), showers_at_heads(real)}},
        {"flush", {sample_of(simulated, Use::flush, false), {}, sample_of(five, Use::flush, false), {}}},
        {"tap",
         {sample_of(simulated, Use::tap, false),
          sample_of(one, Use::tap, false),
          sample_of(five, Use::tap, false),
          {}}},
        {"washing machine's fill",
         {sample_of(simulated, Use::washer, true), {}, sample_of(five, Use::washer, true), {}}},
        {"hose", {sample_of(simulated, Use::hose, false), {}, sample_of(five, Use::hose, false), {}}},
    };
    std::string text =
        "| use | quantity | simulated | the flat | the house of five | 56 shower heads |\n|---|---|---|---|---|---|\n";
    for (const Row& row : rows) {
        const auto line = [&](const char* name, double (*quantity)(const Measured&), int digits) {
            text += fmt::format("| {} | {} |", row.name, name);
            for (const Sample& sample : row.samples)
                text += cell(sample, quantity, digits);
            text += "\n";
        };
        line(
            "L", [](const Measured& m) { return m.litres; }, 1);
        line(
            "L/min", [](const Measured& m) { return m.litres / m.s * 60; }, 1);
        line(
            "s of water", [](const Measured& m) { return m.s; }, 0);
    }
    return text;
}

}  // namespace tickledger::draws
