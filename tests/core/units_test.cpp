#include "tickledger/units.hpp"

#include <rapidcheck/catch.h>

#include <array>
#include <boost/multiprecision/cpp_int.hpp>
#include <catch2/catch.hpp>
#include <limits>
#include <numeric>

using namespace tickledger;

namespace {

using boost::multiprecision::cpp_int;
using boost::multiprecision::cpp_rational;

constexpr std::int64_t int64_max = std::numeric_limits<std::int64_t>::max();
constexpr std::int64_t int64_min = std::numeric_limits<std::int64_t>::min();

Ratio volume_l(std::string_view text) {
    const Result<Ratio> volume = parse_volume_l(text);
    INFO(text);
    REQUIRE(volume);
    return *volume;
}

cpp_rational exactly(Ratio ratio) {
    return cpp_rational{ratio.numerator, ratio.denominator};
}

/// The oracle: the same with rational numbers of any length, rounded by comparing both neighbours.
std::int64_t scaled_by_rationals(std::int64_t ticks, Ratio pulse_value_l, Ratio offset_l,
                                 std::int64_t litres_per_unit, int digits) {
    cpp_rational value = (cpp_rational{ticks} * exactly(pulse_value_l) + exactly(offset_l)) / litres_per_unit;
    value *= cpp_rational{pow(cpp_int{10}, static_cast<unsigned>(digits))};
    cpp_int below = numerator(value) / denominator(value);
    if (cpp_rational{below} > value) --below;
    const cpp_rational twice_above_below = (value - cpp_rational{below}) * 2;
    const bool up = twice_above_below > 1 || (twice_above_below == 1 && below % 2 != 0);
    const cpp_int rounded = up ? cpp_int{below + 1} : below;
    if (rounded > int64_max) return int64_max;
    if (rounded < int64_min) return int64_min;
    return rounded.convert_to<std::int64_t>();
}

/// Whole numbers of every length, including those at the ends of 64 bits.
rc::Gen<std::int64_t> whole_number_of_any_length(std::int64_t least) {
    return rc::gen::apply(
        [least](std::int64_t number, int shift) {
            const std::int64_t shorter = number >> shift;
            return shorter < least ? least : shorter;
        },
        rc::gen::oneOf(rc::gen::resize(1000, rc::gen::arbitrary<std::int64_t>()),
                       rc::gen::element(int64_max, int64_max - 1, int64_min, int64_min + 1)),
        rc::gen::inRange(0, 64));
}

Ratio lowest_terms(std::int64_t numerator, std::int64_t denominator) {
    const std::int64_t divisor = std::gcd(numerator, denominator);
    return {numerator / divisor, denominator / divisor};
}

}  // namespace

TEST_CASE("the units have their exact values") {
    // Source: NIST SP 811, from memory: 1 in = 2.54 cm, 1 US gallon = 231 in³, 1 imperial gallon = 4.54609 L,
    // 1 ft = 12 in. GNU units 2.22 has the same definitions.
    const cpp_rational litres_in_cubic_inch = cpp_rational{254 * 254, 10000} * 254 / 100 / 1000;
    CHECK(exactly(volume_l("1 gal_us")) == 231 * litres_in_cubic_inch);
    CHECK(exactly(volume_l("1 ft3")) == 1728 * litres_in_cubic_inch);
    CHECK(exactly(volume_l("1000000000 gal_us")) == cpp_rational{3'785'411'784});
    CHECK(exactly(volume_l("100000 gal_imp")) == cpp_rational{454'609});
    CHECK(exactly(volume_l("1000000000 ft3")) == cpp_rational{28'316'846'592});
    CHECK(volume_l("1 m3") == Ratio{1000, 1});
    CHECK(volume_l("1 L") == Ratio{1, 1});
}

TEST_CASE("volumes are read as they are written, in lowest terms") {
    CHECK(volume_l("0 m3") == Ratio{0, 1});
    CHECK(volume_l("0.1 L") == Ratio{1, 10});
    CHECK(volume_l("2.50 L") == Ratio{5, 2});
    CHECK(volume_l("1/3 L") == Ratio{1, 3});
    CHECK(volume_l("2/6 m3") == Ratio{1000, 3});
    CHECK(volume_l("0.001 m3") == Ratio{1, 1});
    CHECK(volume_l("1L") == Ratio{1, 1});
    CHECK(volume_l("0.1 gal_us") == Ratio{473'176'473, 1'250'000'000});
    // Neither part fits 64 bits until the two are reduced against each other.
    CHECK(exactly(volume_l("0.1234567891 ft3")) ==
          cpp_rational{1'234'567'891} * 28'316'846'592 / cpp_rational{cpp_int{"10000000000000000000"}});
}

TEST_CASE("the first 64 characters of a refused volume are shown") {
    const std::string zero = std::string(100, '0') + " L";
    const Result<Ratio> refused = parse_pulse_value_l(zero);
    REQUIRE_FALSE(refused);
    CHECK_THAT(refused.error().text, Catch::StartsWith('"' + zero.substr(0, 64) + '"'));
}

TEST_CASE("flows are read per hour and per minute") {
    const auto flow = [](std::string_view text) {
        const Result<Ratio> flow_l_per_h = parse_flow_l_per_h(text);
        INFO(text);
        REQUIRE(flow_l_per_h);
        return *flow_l_per_h;
    };
    CHECK(flow("2.5 m3/h") == Ratio{2500, 1});
    CHECK(flow("30 L/min") == Ratio{1800, 1});
    CHECK(flow("15.625 L/h") == Ratio{125, 8});
    CHECK(flow("1/3 L/min") == Ratio{20, 1});
    CHECK(exactly(flow("1 gal_us/min")) == cpp_rational{3'785'411'784} * 60 / 1'000'000'000);
    for (const std::string_view text :
         {"2.5 m3", "2.5 m3/s", "2.5/h", "m3/h", "-1 m3/h", "1 /h", "1 m3/min/h"}) {
        INFO(text);
        const Result<Ratio> flow_l_per_h = parse_flow_l_per_h(text);
        REQUIRE_FALSE(flow_l_per_h);
        CHECK(flow_l_per_h.error().text.find(text) != std::string::npos);
    }
}

TEST_CASE("a text that is not a volume is refused in a sentence that quotes it") {
    for (const std::string_view text : {"",
                                        "L",
                                        "1",
                                        "1 l",
                                        "1 litre",
                                        "-1 L",
                                        "+1 L",
                                        "1e3 L",
                                        "1. L",
                                        ".5 L",
                                        "1/0 L",
                                        "1/ L",
                                        "1//2 L",
                                        "1.5/2 L",
                                        "1/2.5 L",
                                        "1 L ",
                                        " 1 L",
                                        "1 L L",
                                        "0x10 L",
                                        "nan L",
                                        "1000000000000000000 L",
                                        "999999999999999999 m3",
                                        "0.0000000000000000001 L",
                                        "0.000000000000000001 gal_us"}) {
        INFO(text);
        const Result<Ratio> volume = parse_volume_l(text);
        REQUIRE_FALSE(volume);
        CHECK(volume.error().text.find(text) != std::string::npos);
    }
    CHECK(parse_volume_l("0 L"));
    CHECK_FALSE(parse_pulse_value_l("0 L"));
    CHECK_FALSE(parse_pulse_value_l("0/5 ft3"));
    CHECK(parse_pulse_value_l("1/3 L").value() == Ratio{1, 3});
    rc::prop("any text is read or refused, and results are in lowest terms", [] {
        const auto number = *rc::gen::container<std::string>(
            rc::gen::element('0', '1', '3', '9', '.', '/', ' ', '-', '5', '7'));
        const std::string unit =
            *rc::gen::element<std::string>(" L", " m3", " gal_us", " gal_imp", " ft3", "");
        for (const Result<Ratio>& ratio :
             {parse_volume_l(number + unit), parse_flow_l_per_h(number + unit + "/min")}) {
            if (!ratio) continue;
            RC_ASSERT(ratio->numerator >= 0);
            RC_ASSERT(ratio->denominator > 0);
            RC_ASSERT(std::gcd(ratio->numerator, ratio->denominator) == 1);
        }
    });
    rc::prop("decimals of up to 18 digits keep their value", [] {
        const auto digits = *rc::gen::inRange(1, 9);
        const auto scaled = *rc::gen::inRange<std::int64_t>(0, 1'000'000'000);
        cpp_int scale = pow(cpp_int{10}, static_cast<unsigned>(digits));
        const Ratio litres = volume_l(decimal(scaled, digits) + " gal_imp");
        RC_ASSERT((exactly(litres) == cpp_rational{scaled, scale} * cpp_rational{454'609, 100'000}));
    });
}

TEST_CASE("volumes are rounded only once, half to even") {
    struct Row {
        std::int64_t ticks;
        Ratio pulse_value_l;
        Ratio offset_l;
        std::int64_t litres_per_unit;
        int digits;
        std::int64_t scaled;
    };
    // Computed with Python's fractions.Fraction and round(), which goes half to even.
    const std::array<Row, 13> rows{{
        {1, {1, 2}, {0, 1}, 1, 0, 0},
        {3, {1, 2}, {0, 1}, 1, 0, 2},
        {5, {1, 2}, {0, 1}, 1, 0, 2},
        {-1, {1, 2}, {0, 1}, 1, 0, 0},
        {-3, {1, 2}, {0, 1}, 1, 0, -2},
        {1, {1, 3}, {0, 1}, 1, 3, 333},
        {2, {1, 3}, {0, 1}, 1, 3, 667},
        {1, {1, 2000}, {0, 1}, 1, 3, 0},
        {3, {1, 2000}, {0, 1}, 1, 3, 2},
        {1'000'000'000, {473'176'473, 125'000'000}, {123'456, 1000}, 1000, 6, 3'785'411'907'456},
        {int64_max, {454'609, 100'000}, {1, 7}, 1000, 0, 41'930'279'383'025'128},
        {123'456'789'012, {28'316'846'592, 1'000'000'000}, {-5, 3}, 1, 3, 3'495'906'955'192'049},
        {int64_min, {1, 1}, {0, 1}, 1000, 3, int64_min},
    }};
    for (const Row& row : rows) {
        INFO(row.ticks << " x " << row.pulse_value_l.numerator << "/" << row.pulse_value_l.denominator);
        CHECK(scaled_volume(row.ticks, row.pulse_value_l, row.offset_l, row.litres_per_unit, row.digits) ==
              row.scaled);
    }
}

TEST_CASE("volumes are exact for any count and saturate at 64 bits") {
    rc::prop("equal to the result with rational numbers of any length", [] {
        const auto ticks = *whole_number_of_any_length(int64_min);
        const Ratio pulse_value_l =
            lowest_terms(*whole_number_of_any_length(1), *whole_number_of_any_length(1));
        const Ratio offset_l =
            lowest_terms(*whole_number_of_any_length(int64_min + 1), *whole_number_of_any_length(1));
        const auto litres_per_unit = *rc::gen::element<std::int64_t>(1, 1000, 3);
        const auto digits = *rc::gen::inRange(0, 19);
        RC_ASSERT(scaled_volume(ticks, pulse_value_l, offset_l, litres_per_unit, digits) ==
                  scaled_by_rationals(ticks, pulse_value_l, offset_l, litres_per_unit, digits));
    });
    rc::prop("halves, which random numbers rarely hit", [](std::int32_t half_units) {
        const Ratio half_l{1, 2000};
        RC_ASSERT(scaled_volume(half_units, half_l, {0, 1}, 1, 3) ==
                  scaled_by_rationals(half_units, half_l, {0, 1}, 1, 3));
    });
    CHECK(scaled_volume(int64_max, {1000, 1}, {0, 1}, 1, 3) == int64_max);
    // Too long for 128 bits.
    const Ratio pulse_value_l{int64_max - 2, 7'000'003}, offset_l{1, int64_max};
    for (const std::int64_t ticks : {4'001, 40'000'001})
        CHECK(scaled_volume(ticks, pulse_value_l, offset_l, 1000, 3) ==
              scaled_by_rationals(ticks, pulse_value_l, offset_l, 1000, 3));
    CHECK(scaled_volume(int64_min, {1000, 1}, {0, 1}, 1, 3) == int64_min);
}

TEST_CASE("ten years of ticks add up to the last digit") {
    // Ten years of 3 653 days with 4 123 ticks each; volumes computed with Python's fractions.Fraction.
    std::int64_t ticks = 0;
    std::int64_t litres_scaled = 0;
    for (int day = 0; day < 3653; ++day) {
        ticks += 4123;
        litres_scaled += scaled_volume(4123, {1, 10}, {0, 1}, 1, digits_l);
    }
    REQUIRE(ticks == 15'061'319);
    const Ratio tenth_l = volume_l("0.1 L");
    CHECK(decimal(scaled_volume(ticks, tenth_l, {0, 1}, 1, digits_l), digits_l) == "1506131.900");
    CHECK(decimal(scaled_volume(ticks, tenth_l, {0, 1}, 1000, digits_m3), digits_m3) == "1506.131900");
    // If a tick is a whole number of millilitres, nothing is rounded, so even the volumes of the days add up.
    CHECK(decimal(litres_scaled, digits_l) == "1506131.900");

    const Ratio cubic_foot_l = volume_l("1 ft3");
    CHECK(decimal(scaled_volume(ticks, cubic_foot_l, {0, 1}, 1, digits_l), digits_l) == "426489059.596");
    CHECK(decimal(scaled_volume(ticks, cubic_foot_l, {0, 1}, 1000, digits_m3), digits_m3) == "426489.059596");
}

TEST_CASE("scaled numbers are written as decimals") {
    CHECK(decimal(1'234'567, 3) == "1234.567");
    CHECK(decimal(-5, 3) == "-0.005");
    CHECK(decimal(0, 3) == "0.000");
    CHECK(decimal(-1'000, 3) == "-1.000");
    CHECK(decimal(42, 0) == "42");
    CHECK(decimal(-42, 0) == "-42");
    CHECK(decimal(int64_max, 6) == "9223372036854.775807");
    CHECK(decimal(int64_min, 6) == "-9223372036854.775808");
    CHECK(decimal(int64_min, 18) == "-9.223372036854775808");
}
