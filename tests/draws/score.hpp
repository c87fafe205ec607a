// How many litres carry their right name: each tick is made of what ran for it, and lies in a draw that was
// told.
#pragma once

#include <array>
#include <functional>
#include <span>
#include <vector>

#include "core/draw_labels.hpp"
#include "draws/homes.hpp"
#include "tickledger/draw.hpp"

namespace tickledger::draws {

/// What a use should be told as.
[[nodiscard]] DrawLabel label_of(simulation::Use use);

struct MeterAndNode {
    double pulse_value_l = 1;
    /// The node tells at every tick, to the second; or at this cadence.
    Duration cadence{};
};

struct Score {
    double volume_l = 0;
    double right_l = 0;
    double told_leak_l = 0;  ///< By the leaks' own draws.
    /// Litres by true label and told label (the last: none).
    std::array<std::array<double, draw_label_count + 1>, draw_label_count> confusion_l{};
    /// Litres by told confidence in tenths, those of them that were right, and the confidence told for them.
    std::array<double, 10> told_l{};
    std::array<double, 10> told_right_l{};
    std::array<double, 10> told_confidence_l{};

    Score& operator+=(const Score& other);
    [[nodiscard]] double right_share() const { return volume_l > 0 ? right_l / volume_l : 0; }
    /// Of this label's litres, those that were told as it.
    [[nodiscard]] double recall(DrawLabel label) const;
    [[nodiscard]] double litres(DrawLabel label) const;
    /// How far told confidence and truth lie apart, a litre on average (expected calibration error).
    [[nodiscard]] double calibration_error() const;
};

/// Litres by what they ran for.
using LabelLitres = std::array<double, draw_label_count>;

/// One use that was told: its features, and how many litres of it were what.
struct Example {
    Features features{};
    LabelLitres litres{};
    double blur_s = 0;
};

/// All uses that were read of a home at once, and what they were; no litres: not asked for.
struct Lesson {
    UsesSeen seen;
    std::vector<LabelLitres> litres;
};

/// Lessons to teach the labels with, one for each week.
[[nodiscard]] std::vector<Lesson> lessons_of(const Home& home, const MeterAndNode& meter,
                                             const std::function<bool(int week)>& is_scored = {});

/// Reads a home week by week as the daemon does, learning from the days before, and scores the weeks that
/// `is_scored` says yes to.
[[nodiscard]] Score score(const Home& home, const MeterAndNode& meter,
                          const std::function<bool(int week)>& is_scored = {},
                          const Namer& namer = taught_namer(), std::span<const ToldDraw> told = {});

/// What somebody would say who corrects the largest uses that carry a wrong name in one week, from the
/// largest on.
[[nodiscard]] std::vector<ToldDraw> corrections(const Home& home, const MeterAndNode& meter,
                                                const Namer& namer, int week, std::size_t most);

/// One day of a home: what ran, what was told, and how many litres carried a wrong name.
struct ToldDay {
    Instant midnight{};
    double volume_l = 0;
    double wrong_l = 0;
    std::vector<simulation::Event> ran;
    std::vector<Draw> told;
};

[[nodiscard]] std::vector<ToldDay> told_days(const Home& home, const MeterAndNode& meter, const Namer& namer);

}  // namespace tickledger::draws
