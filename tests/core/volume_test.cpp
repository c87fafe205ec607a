// Messages that contain a register's volume, which stays exact from the text to the tick.
#include <rapidcheck/catch.h>

#include <boost/multiprecision/cpp_int.hpp>
#include <catch2/catch.hpp>

#include "tickledger/message.hpp"

using namespace tickledger;
using boost::multiprecision::cpp_int;
using boost::multiprecision::cpp_rational;
using Catch::Contains;

namespace {

const Instant arrival = instant_of(1'767'225'600'000'000);

MeterSettings reader() {
    MeterSettings meter;
    meter.message = MessageForm::volume;
    meter.counter_bits = 0;
    meter.checkpoint_ticks = 1;
    return meter;
}

std::uint64_t ticks_of(const std::string& value, const MeterSettings& meter = reader()) {
    const auto readings = decode("{\"volume\":" + value + "}", meter, arrival);
    INFO(value);
    if (!readings) FAIL(readings.error().text);
    return readings->front().count;
}

std::string error_of(const std::string& value, const MeterSettings& meter = reader()) {
    const auto readings = decode("{\"volume\":" + value + "}", meter, arrival);
    INFO(value);
    REQUIRE_FALSE(readings);
    return readings.error().text;
}

}  // namespace

TEST_CASE("cubic metres as a string or a number become whole litres") {
    CHECK(ticks_of(R"("1234.567")") == 1'234'567);
    CHECK(ticks_of("1234.567") == 1'234'567);
    CHECK(ticks_of(R"("0001234.567")") == 1'234'567);
    CHECK(ticks_of(R"("0")") == 0);
    CHECK(ticks_of(R"("000.001")") == 1);
    CHECK(ticks_of("1.234567e3") == 1'234'567);
    CHECK(ticks_of(R"("9007199254740.993")") == 9'007'199'254'740'993U);
    // 2^53 + 1 thousandths: no double can hold this number (IEEE 754 binary64 has 53 bits).
    CHECK(ticks_of("9007199254740.993") == 9'007'199'254'740'993U);
}

TEST_CASE("digits finer than the pulse value are cut off") {
    CHECK(ticks_of(R"("1234.5679")") == 1'234'567);
    CHECK(ticks_of("0.0009999") == 0);
    CHECK(ticks_of(R"("0.99999999999999999999999999")") == 999);
    CHECK(ticks_of("1e-300") == 0);
}

TEST_CASE("a volume of more pulse values than fit into a count is unreadable") {
    CHECK(ticks_of(R"("9223372036854775.807")") == 9'223'372'036'854'775'807U);
    CHECK_FALSE(error_of(R"("9223372036854775.808")").empty());
}

TEST_CASE("a missing or invalid digit makes the message unreadable") {
    for (const char* value :
         {R"("12N4.567")", R"("")", R"("NaN")", R"("12,5")", R"("1.2.3")", R"("-1")", R"("+1")", R"(" 12")",
          R"("12 ")", R"("1e3")", R"(".5")", R"("5.")", R"("0x1F")"}) {
        CHECK_THAT(error_of(value), Contains("`volume`") && Contains("digits"));
    }
    CHECK_THAT(error_of("-1"), Contains("negative"));
    CHECK_THAT(error_of("true"), Contains("a number or a decimal text"));
    CHECK_THAT(error_of("null"), Contains("a number or a decimal text"));
    CHECK_THAT(error_of("1e300"), Contains("too large"));
    CHECK_THAT(decode("{\"count\":1}", reader(), arrival).error().text, Contains("no field `volume`"));
}

TEST_CASE("a volume beyond the rollover of the display is refused") {
    MeterSettings meter = reader();
    meter.rolls_over_at_l = {100'000'000, 1};
    CHECK(ticks_of(R"("99999.999")", meter) == 99'999'999);
    CHECK_THAT(error_of(R"("100000")", meter), Contains("rolls_over_at"));
}

TEST_CASE("any decimal in any unit and pulse value gives the whole pulse values in it") {
    rc::prop("compared with ratios of whole numbers of any length", [] {
        MeterSettings meter = reader();
        // NIST SP 811, from memory, as units.cpp: litres of a unit.
        meter.volume_unit_l = *rc::gen::element(Ratio{1000, 1}, Ratio{1, 1}, Ratio{473'176'473, 125'000'000},
                                                Ratio{454'609, 100'000}, Ratio{1'769'802'912, 62'500'000});
        meter.pulse_value_l = *rc::gen::element(Ratio{1, 1}, Ratio{10, 1}, Ratio{1, 3}, Ratio{1, 10},
                                                Ratio{473'176'473, 1'250'000'000});
        const auto whole = *rc::gen::inRange<std::uint64_t>(0, 10'000'000);
        const auto places = *rc::gen::inRange<std::size_t>(0, 12);
        const auto digits = *rc::gen::container<std::string>(places, rc::gen::inRange<char>('0', '9' + 1));
        const std::string text = std::to_string(whole) + (places > 0 ? "." + digits : "");
        const cpp_rational value =
            cpp_rational(whole) +
            (places > 0 ? cpp_rational(cpp_int(digits.find_first_not_of('0') == std::string::npos
                                                   ? "0"
                                                   : digits.substr(digits.find_first_not_of('0'))),
                                       pow(cpp_int(10), static_cast<unsigned>(places)))
                        : cpp_rational(0));
        const cpp_rational ticks =
            value * cpp_rational(meter.volume_unit_l.numerator, meter.volume_unit_l.denominator) /
            cpp_rational(meter.pulse_value_l.numerator, meter.pulse_value_l.denominator);
        const cpp_int expected = numerator(ticks) / denominator(ticks);
        RC_ASSERT(cpp_int(ticks_of("\"" + text + "\"", meter)) == expected);
        RC_ASSERT(cpp_int(ticks_of(text, meter)) == expected);
    });
}
