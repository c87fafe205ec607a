// What a tick really stands for, worked out from readings of the register by eye: the pulse value by least
// squares, and its uncertainty. The remaining error shows whether the pulse value is wrong or ticks were
// missed.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <string_view>
#include <vector>

#include "tickledger/time.hpp"
#include "tickledger/units.hpp"

namespace tickledger {

/// A straight line by ordinary least squares.
struct LineFit {
    long double intercept = 0;
    long double slope = 0;
    /// Standard deviation of the slope; 0 if there are too few points to know it.
    long double slope_deviation = 0;
    long double residual_deviation = 0;
};

/// y = slope x. Preconditions: as many x as y; not all x are 0.
[[nodiscard]] LineFit fit_through_origin(std::span<const long double> x, std::span<const long double> y);
/// y = intercept + slope x. Preconditions: as many x as y; at least two different x.
[[nodiscard]] LineFit fit_line(std::span<const long double> x, std::span<const long double> y);

/// The time between two readings by eye.
struct CalibrationStretch {
    Span span;
    std::int64_t ticks = 0;
    std::int64_t volume_ul = 0;  ///< The rise of the register.
    /// The flow while water ran, weighted by ticks.
    double flow_l_per_h = 0;
    /// Ticks may have run unseen in it, so it says nothing about the pulse value.
    bool has_unseen = false;
};

enum class CalibrationVerdict : std::uint8_t { within, beyond, undecided };
[[nodiscard]] std::string_view name_of(CalibrationVerdict verdict);

enum class ErrorShape : std::uint8_t {
    unknown,   ///< Too few stretches, or all at one flow.
    constant,  ///< The same at every flow: if anything is wrong, it is the pulse value.
    growing,   ///< The faster the water runs, the less is counted: ticks are missed at high flow.
};
[[nodiscard]] std::string_view name_of(ErrorShape shape);

struct Calibration {
    double pulse_value_l = 0;
    /// Standard uncertainty (coverage factor 1).
    double uncertainty_l = 0;
    /// (indicated - actual) / actual: the ledger's volume with the present pulse value against the register.
    double error = 0;
    /// For a class 2 meter at these flows: 0.02, or 0.05 below Q2.
    double permissible_error = 0;
    double flow_l_per_h = 0;
    CalibrationVerdict verdict = CalibrationVerdict::undecided;
    ErrorShape shape = ErrorShape::unknown;
    std::size_t stretches_used = 0;
};

/// Passes over stretches in which ticks may have run unseen, and stretches without a tick. Returns nothing if
/// no other stretch is left.
///
/// Maximum permissible errors: ISO 4064-1, class 2, water up to 30 °C: 2 % from Q2 on, 5 % below. Q2 = 1.6 Q1
/// with Q1 = Q3 / 80 (common practice, no source).
[[nodiscard]] std::optional<Calibration> calibrate(std::span<const CalibrationStretch> stretches,
                                                   Ratio present_pulse_value_l, Ratio resolution_l,
                                                   Ratio q3_l_per_h);

}  // namespace tickledger
