// How many litres have the right label. Each tick is known to consist of certain uses and is part of a draw
// that was found.
#pragma once

#include <array>
#include <functional>
#include <span>
#include <vector>

#include "core/draw_labels.hpp"
#include "draws/homes.hpp"
#include "tickledger/draw.hpp"

namespace tickledger::draws {

/// The right label of a use.
[[nodiscard]] DrawLabel label_of(simulation::Use use);

struct MeterAndNode {
    double pulse_value_l = 1;
    /// The node sends at this cadence. 0: at every tick, to the second.
    Duration cadence{};
};

struct Score {
    double volume_l = 0;
    double right_l = 0;
    double told_leak_l = 0;  ///< In draws with the label leak.
    /// Litres by true label and given label. The last given label means none.
    std::array<std::array<double, draw_label_count + 1>, draw_label_count> confusion_l{};
    /// Litres by tenths of the confidence, the right ones among them, and their summed confidence.
    std::array<double, 10> told_l{};
    std::array<double, 10> told_right_l{};
    std::array<double, 10> told_confidence_l{};

    Score& operator+=(const Score& other);
    [[nodiscard]] double right_share() const { return volume_l > 0 ? right_l / volume_l : 0; }
    /// The share of the litres with this true label that were given this label.
    [[nodiscard]] double recall(DrawLabel label) const;
    [[nodiscard]] double litres(DrawLabel label) const;
    /// The mean difference between confidence and truth per litre (expected calibration error).
    [[nodiscard]] double calibration_error() const;
};

/// Litres by their true label.
using LabelLitres = std::array<double, draw_label_count>;

/// One use that was found: its features, and its litres by true label.
struct Example {
    Features features{};
    LabelLitres litres{};
    double blur_s = 0;
};

/// All uses of a home that were found together, and what they were. Uses without litres are not scored.
struct Lesson {
    UsesSeen seen;
    std::vector<LabelLitres> litres;
};

/// Lessons for training the labels, one per week.
[[nodiscard]] std::vector<Lesson> lessons_of(const Home& home, const MeterAndNode& meter,
                                             const std::function<bool(int week)>& is_scored = {});

/// Finds and labels the draws of a home week by week as the daemon does, learning from the days before.
/// Scores the weeks for which `is_scored` returns true.
[[nodiscard]] Score score(const Home& home, const MeterAndNode& meter,
                          const std::function<bool(int week)>& is_scored = {},
                          const Namer& namer = taught_namer(), std::span<const ToldDraw> told = {});

/// The corrections of a person who corrects the largest wrongly labelled uses of one week, largest first.
[[nodiscard]] std::vector<ToldDraw> corrections(const Home& home, const MeterAndNode& meter,
                                                const Namer& namer, int week, std::size_t most);

/// One day of a home: the true uses, the draws found, and the litres with a wrong label.
struct ToldDay {
    Instant midnight{};
    double volume_l = 0;
    double wrong_l = 0;
    std::vector<simulation::Event> ran;
    std::vector<Draw> told;
};

[[nodiscard]] std::vector<ToldDay> told_days(const Home& home, const MeterAndNode& meter, const Namer& namer);

}  // namespace tickledger::draws
