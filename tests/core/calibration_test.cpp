// Pulse values by least squares, against published regressions and computed cases.
#include "tickledger/calibration.hpp"

#include <catch2/catch.hpp>

using namespace tickledger;

namespace {

using Numbers = std::vector<long double>;

CalibrationStretch stretch(std::int64_t ticks, double litres, double flow_l_per_h = 300) {
    CalibrationStretch one;
    one.ticks = ticks;
    one.volume_ul = static_cast<std::int64_t>(litres * 1e6);
    one.flow_l_per_h = flow_l_per_h;
    return one;
}

std::optional<Calibration> judged(const std::vector<CalibrationStretch>& stretches) {
    return calibrate(stretches, {1, 1}, {1, 1}, {2500, 1});
}

}  // namespace

TEST_CASE("a line through the origin agrees with NIST StRD NoInt1") {
    // NIST Statistical Reference Datasets, Linear Regression, NoInt1: certified values, second-hand,
    // recomputed.
    const Numbers x{60, 61, 62, 63, 64, 65, 66, 67, 68, 69, 70};
    const Numbers y{130, 131, 132, 133, 134, 135, 136, 137, 138, 139, 140};
    const LineFit fit = fit_through_origin(x, y);
    CHECK(static_cast<double>(fit.slope) == Approx(2.07438016528926).epsilon(1e-14));
    CHECK(static_cast<double>(fit.slope_deviation) == Approx(0.0165289256198347).epsilon(1e-13));
    CHECK(static_cast<double>(fit.residual_deviation) == Approx(3.56753034006338).epsilon(1e-13));
}

TEST_CASE("a line agrees with NIST StRD Norris") {
    // NIST Statistical Reference Datasets, Linear Regression, Norris: data from memory, certified values
    // second-hand. The data reproduce the certified values, so the data are right.
    const Numbers x{0.2L,   337.4L, 118.2L, 884.6L, 10.1L,  226.5L, 666.3L, 996.3L, 448.6L,
                    777.0L, 558.2L, 0.4L,   0.6L,   775.5L, 666.9L, 338.0L, 447.5L, 11.6L,
                    556.0L, 228.1L, 995.8L, 887.6L, 120.2L, 0.3L,   0.3L,   556.8L, 339.1L,
                    887.2L, 999.0L, 779.0L, 11.1L,  118.3L, 229.2L, 669.1L, 448.9L, 0.5L};
    const Numbers y{0.1L,   338.8L, 118.1L, 888.0L, 9.2L,   228.1L, 668.5L, 998.5L, 449.1L,
                    778.9L, 559.2L, 0.3L,   0.1L,   778.1L, 668.8L, 339.3L, 448.9L, 10.8L,
                    557.7L, 228.3L, 998.0L, 888.8L, 119.6L, 0.3L,   0.6L,   557.6L, 339.3L,
                    888.0L, 998.5L, 778.9L, 10.2L,  117.6L, 228.9L, 668.4L, 449.2L, 0.2L};
    const LineFit fit = fit_line(x, y);
    CHECK(static_cast<double>(fit.intercept) == Approx(-0.262323073774029).epsilon(1e-12));
    CHECK(static_cast<double>(fit.slope) == Approx(1.00211681802045).epsilon(1e-14));
    CHECK(static_cast<double>(fit.residual_deviation) == Approx(0.884796396144373).epsilon(1e-12));
}

TEST_CASE("the error is the error of the indication, relative to the register") {
    // 103 L shown for 100 L is 3.000 %, not 2.913 % (ISO 4064-1, from memory; computed).
    const auto found = judged({stretch(103'000, 100'000)});
    REQUIRE(found);
    CHECK(found->error == Approx(0.03));
    CHECK(found->verdict == CalibrationVerdict::beyond);
    CHECK(found->permissible_error == 0.02);
    // Below Q2 = 2500 / 50 L/h a class 2 meter may have an error of 5 %.
    CHECK(judged({stretch(103'000, 100'000, 49)})->verdict == CalibrationVerdict::within);
}

TEST_CASE("two readings close together give a large uncertainty and no verdict") {
    const auto found = judged({stretch(100, 102)});
    REQUIRE(found);
    CHECK(found->pulse_value_l == Approx(1.02));
    // Computed: sqrt((1 + 1.02²) / 6) / 100.
    CHECK(found->uncertainty_l == Approx(0.0058317).epsilon(1e-4));
    CHECK(found->verdict == CalibrationVerdict::undecided);
    CHECK(judged({stretch(100'000, 101'000)})->verdict == CalibrationVerdict::within);
    // 10 L per tick: the error of 1 % is -0.99 %, +/- 2 * 0.00414 / 10.1 * 10 / 10.1 = 0.08 % (computed).
    const std::vector<CalibrationStretch> coarse{stretch(1000, 10'100)};
    CHECK(calibrate(coarse, {10, 1}, {1, 1}, {2500, 1})->verdict == CalibrationVerdict::within);
}

TEST_CASE("a wrong pulse value gives a constant error, missed ticks an error that grows with the flow") {
    const auto wrong =
        judged({stretch(9700, 10'000, 100), stretch(9690, 10'000, 400), stretch(9705, 10'000, 900),
                stretch(9695, 10'000, 1600), stretch(9702, 10'000, 700)});
    REQUIRE(wrong);
    CHECK(wrong->shape == ErrorShape::constant);
    CHECK(wrong->verdict == CalibrationVerdict::beyond);
    const auto missed =
        judged({stretch(9995, 10'000, 100), stretch(9900, 10'000, 400), stretch(9700, 10'000, 900),
                stretch(9420, 10'000, 1600), stretch(9800, 10'000, 700)});
    CHECK(missed->shape == ErrorShape::growing);
    CHECK(judged({stretch(9700, 10'000, 300), stretch(9690, 10'000, 310), stretch(9705, 10'000, 320),
                  stretch(9705, 10'000, 330)})
              ->shape == ErrorShape::unknown);
}

TEST_CASE("an error grows with the flow if chance gives such a line in fewer than one case in twenty") {
    // Five flows leave three degrees of freedom, so Student's t must exceed 3.182 (NIST/SEMATECH e-Handbook
    // of Statistical Methods, 1.3.6.7.2, from memory). By the formulas of least squares these lines have
    // t = sqrt(3) * 20 / 10 = 3.46 and sqrt(3) * 17 / 10 = 2.94.
    CHECK(judged({stretch(100'050, 100'000, 200), stretch(100'000, 100'000, 400),
                  stretch(100'000, 100'000, 600), stretch(100'000, 100'000, 800),
                  stretch(99'950, 100'000, 1000)})
              ->shape == ErrorShape::growing);
    CHECK(
        judged({stretch(100'044, 100'000, 200), stretch(99'997, 100'000, 400), stretch(100'000, 100'000, 600),
                stretch(100'003, 100'000, 800), stretch(99'956, 100'000, 1000)})
            ->shape == ErrorShape::constant);
}

TEST_CASE("stretches in which ticks may have been missed are not used") {
    CalibrationStretch hole = stretch(5000, 10'000);
    hole.has_unseen = true;
    CHECK_FALSE(judged({hole}));
    CHECK_FALSE(judged({stretch(0, 10)}));
    const auto found = judged({hole, stretch(10'000, 10'000)});
    CHECK(found->pulse_value_l == Approx(1));
    CHECK(found->stretches_used == 1);
}

TEST_CASE("a stretch of one tick is used, a stretch without ticks or volume is not") {
    CHECK(judged({stretch(1, 1)}));
    CHECK_FALSE(judged({stretch(0, 1)}));
    CHECK_FALSE(judged({stretch(1, 0)}));
}
