#include "tickledger/calibration.hpp"

#include <algorithm>
#include <boost/math/distributions/students_t.hpp>
#include <cmath>

namespace tickledger {

namespace {

constexpr double mpe_upper_zone = 0.02;
constexpr double mpe_lower_zone = 0.05;
// Q3 / Q1 = 80 and Q2 = 1.6 Q1.
constexpr double q3_over_q2 = 80.0 / 1.6;
constexpr double coverage_factor = 2;
// A slope is believed if chance gives one as steep in fewer than one case out of twenty.
constexpr double significance = 0.05;
// With a smaller spread of flows, nothing can be said about how the error depends on them.
constexpr double flow_spread_min = 1.5;
constexpr std::size_t stretches_for_shape = 4;

/// How the error of the stretches depends on their flow.
ErrorShape shape_of(std::span<const CalibrationStretch> stretches, double present_l) {
    if (stretches.size() < stretches_for_shape) return ErrorShape::unknown;
    std::vector<long double> flows;
    std::vector<long double> errors;
    for (const CalibrationStretch& one : stretches) {
        const long double actual_l = static_cast<long double>(one.volume_ul) / 1e6L;
        flows.push_back(one.flow_l_per_h);
        errors.push_back(
            (static_cast<long double>(present_l) * static_cast<long double>(one.ticks) - actual_l) /
            actual_l);
    }
    const auto [least, most] = std::minmax_element(flows.begin(), flows.end());
    if (*least <= 0 || *most < flow_spread_min * *least) return ErrorShape::unknown;
    const LineFit line = fit_line(flows, errors);
    if (line.slope >= 0) return ErrorShape::constant;
    if (line.slope_deviation == 0) return ErrorShape::growing;
    const auto t = static_cast<double>(-line.slope / line.slope_deviation);
    const boost::math::students_t distribution(static_cast<double>(flows.size() - 2));
    const double chance = 2 * boost::math::cdf(boost::math::complement(distribution, t));
    return chance < significance ? ErrorShape::growing : ErrorShape::constant;
}

}  // namespace

std::string_view name_of(CalibrationVerdict verdict) {
    switch (verdict) {
        case CalibrationVerdict::within:
            return "within";
        case CalibrationVerdict::beyond:
            return "beyond";
        case CalibrationVerdict::undecided:
            break;
    }
    return "undecided";
}

std::string_view name_of(ErrorShape shape) {
    switch (shape) {
        case ErrorShape::constant:
            return "constant";
        case ErrorShape::growing:
            return "growing-with-flow";
        case ErrorShape::unknown:
            break;
    }
    return "unknown";
}

LineFit fit_through_origin(std::span<const long double> x, std::span<const long double> y) {
    long double xx = 0;
    long double xy = 0;
    for (std::size_t i = 0; i < x.size(); ++i) {
        xx += x[i] * x[i];
        xy += x[i] * y[i];
    }
    LineFit fit;
    fit.slope = xy / xx;
    if (x.size() < 2) return fit;
    long double residuals = 0;
    for (std::size_t i = 0; i < x.size(); ++i)
        residuals += (y[i] - fit.slope * x[i]) * (y[i] - fit.slope * x[i]);
    fit.residual_deviation = std::sqrt(residuals / static_cast<long double>(x.size() - 1));
    fit.slope_deviation = fit.residual_deviation / std::sqrt(xx);
    return fit;
}

LineFit fit_line(std::span<const long double> x, std::span<const long double> y) {
    const auto count = static_cast<long double>(x.size());
    long double mean_x = 0;
    long double mean_y = 0;
    for (std::size_t i = 0; i < x.size(); ++i) {
        mean_x += x[i] / count;
        mean_y += y[i] / count;
    }
    long double xx = 0;
    long double xy = 0;
    for (std::size_t i = 0; i < x.size(); ++i) {
        xx += (x[i] - mean_x) * (x[i] - mean_x);
        xy += (x[i] - mean_x) * (y[i] - mean_y);
    }
    LineFit fit;
    fit.slope = xy / xx;
    fit.intercept = mean_y - fit.slope * mean_x;
    if (x.size() < 3) return fit;
    long double residuals = 0;
    for (std::size_t i = 0; i < x.size(); ++i) {
        const long double residual = y[i] - fit.intercept - fit.slope * x[i];
        residuals += residual * residual;
    }
    fit.residual_deviation = std::sqrt(residuals / (count - 2));
    fit.slope_deviation = fit.residual_deviation / std::sqrt(xx);
    return fit;
}

std::optional<Calibration> calibrate(std::span<const CalibrationStretch> stretches,
                                     Ratio present_pulse_value_l, Ratio resolution_l, Ratio q3_l_per_h) {
    std::vector<CalibrationStretch> used;
    std::copy_if(
        stretches.begin(), stretches.end(), std::back_inserter(used),
        [](const CalibrationStretch& one) { return !one.has_unseen && one.ticks > 0 && one.volume_ul > 0; });
    if (used.empty()) return std::nullopt;
    std::vector<long double> ticks;
    std::vector<long double> litres;
    long double squares = 0;
    double flow = 0;
    double all_ticks = 0;
    for (const CalibrationStretch& one : used) {
        ticks.push_back(static_cast<long double>(one.ticks));
        litres.push_back(static_cast<long double>(one.volume_ul) / 1e6L);
        squares += ticks.back() * ticks.back();
        flow += one.flow_l_per_h * static_cast<double>(one.ticks);
        all_ticks += static_cast<double>(one.ticks);
    }
    const LineFit fit = fit_through_origin(ticks, litres);
    Calibration result;
    result.stretches_used = used.size();
    result.pulse_value_l = static_cast<double>(fit.slope);
    result.flow_l_per_h = flow / all_ticks;
    // Each end of a stretch was read to one step of the register (rectangular, 1/12 of its square), and may
    // have cut a tick (likewise): GUM (JCGM 100) section 4.3.7, from memory.
    const long double step = static_cast<long double>(resolution_l.value());
    const long double ends = std::sqrt((step * step + fit.slope * fit.slope) * 2 / 12);
    result.uncertainty_l = static_cast<double>(std::max(fit.slope_deviation, ends / std::sqrt(squares)));

    const double present_l = present_pulse_value_l.value();
    result.error = present_l / result.pulse_value_l - 1;
    const double q2 = q3_l_per_h.value() / q3_over_q2;
    result.permissible_error = result.flow_l_per_h >= q2 ? mpe_upper_zone : mpe_lower_zone;
    const double margin =
        coverage_factor * result.uncertainty_l / result.pulse_value_l * present_l / result.pulse_value_l;
    if (std::abs(result.error) + margin <= result.permissible_error) {
        result.verdict = CalibrationVerdict::within;
    } else if (std::abs(result.error) - margin > result.permissible_error) {
        result.verdict = CalibrationVerdict::beyond;
    }
    result.shape = shape_of(used, present_l);
    return result;
}

}  // namespace tickledger
