#include "core/decimal.hpp"

#include <rapidcheck/catch.h>

#include <catch2/catch.hpp>
#include <limits>

using namespace tickledger;

namespace {

Decimal read(std::string_view text) {
    return decimal_of(text);
}

}  // namespace

TEST_CASE("whole numbers are recognised, however they are written") {
    CHECK(whole_number(read("1000")) == 1000);
    CHECK(whole_number(read("1000.0")) == 1000);
    CHECK(whole_number(read("1e3")) == 1000);
    CHECK(whole_number(read("1.5E+1")) == 15);
    CHECK(whole_number(read("12000e-3")) == 12);
    CHECK(whole_number(read("-0.0")) == 0);
    CHECK(whole_number(read("0e99999999999")) == 0);
    // 2^53 + 1, which no double holds, and the largest 64-bit number.
    CHECK(whole_number(read("9007199254740993.0")) == 9'007'199'254'740'993);
    CHECK(whole_number(read("18446744073709551615")) == std::numeric_limits<std::uint64_t>::max());
    CHECK_FALSE(whole_number(read("18446744073709551616")));
    CHECK_FALSE(whole_number(read("1.5")));
    CHECK_FALSE(whole_number(read("-1")));
    CHECK_FALSE(whole_number(read("1e308")));
    CHECK_FALSE(whole_number(read("1e-99999999999")));
    CHECK_FALSE(is_whole(read("1000.0000000000000000000000001")));
    CHECK(is_whole(read("1000.0000000000000000000000000")));
}

TEST_CASE("a double becomes the shortest decimal that reads back as the same double") {
    CHECK(canonical_text(decimal_of(1234.567)) == "1234567e-3");
    CHECK(canonical_text(decimal_of(120.1)) == "1201e-1");
    CHECK(canonical_text(decimal_of(4294967296.0)) == "4294967296");
    CHECK(canonical_text(decimal_of(1e-300)) == "1e-300");
    CHECK(canonical_text(decimal_of(-2.5)) == "-25e-1");
}

TEST_CASE("equal numbers have one canonical text") {
    CHECK(canonical_text(read("7")) == "7");
    CHECK(canonical_text(read("7.0")) == "7");
    CHECK(canonical_text(read("70e-1")) == "7");
    CHECK(canonical_text(read("-0.0")) == "0");
    CHECK(canonical_text(read("-7")) == "-7");
    CHECK(canonical_text(read("0.70")) == canonical_text(read("7e-1")));
    CHECK(canonical_text(read("1e308")) == "1e308");
}

TEST_CASE("seconds become microseconds, rounded to the nearest") {
    CHECK(seconds_of(read("1.5")) == Duration{1'500'000});
    CHECK(seconds_of(read("-5")) == Duration{-5'000'000});
    CHECK(seconds_of(read("0.0000005")) == Duration{1});
    CHECK(seconds_of(read("0.0000004999")) == Duration{0});
    CHECK(seconds_of(read("-0.0000005")) == Duration{-1});
    CHECK(seconds_of(read("9e-8")) == Duration{0});
    CHECK(seconds_of(read("1.276020076001e+09")) == Duration{1'276'020'076'001'000});
    CHECK(seconds_of(read("2.5e11")) == Duration{250'000'000'000'000'000});
    CHECK(seconds_of(read("1e300")) == seconds_max);
    CHECK(seconds_of(read("-1e300")) == seconds_min);
    CHECK(seconds_of(read("18446744073709551615")) == seconds_max);
    CHECK(seconds_of(read("1e-300")) == Duration{0});
}

TEST_CASE("whole numbers keep every digit") {
    rc::prop("as text, with zeros after the point, with an exponent", [](std::uint64_t number,
                                                                         std::uint8_t zeros) {
        const std::string text = std::to_string(number);
        RC_ASSERT(whole_number(read(text)) == number);
        RC_ASSERT(whole_number(read(text + "." + std::string(zeros + std::size_t{1}, '0'))) == number);
        RC_ASSERT(whole_number(read(text + std::string(zeros, '0') + "e-" + std::to_string(zeros))) ==
                  number);
        RC_ASSERT(whole_number(decimal_of(number)) == number);
        RC_ASSERT(canonical_text(read(text)) == text);
    });
    rc::prop("microseconds of whole milliseconds", [](std::int32_t milliseconds) {
        const bool negative = milliseconds < 0;
        const auto magnitude = negative ? -static_cast<std::int64_t>(milliseconds) : milliseconds;
        std::string text = std::to_string(magnitude);
        text.insert(0, text.size() < 4 ? 4 - text.size() : 0, '0');
        text.insert(text.size() - 3, ".");
        const auto expected = Duration{static_cast<std::int64_t>(milliseconds) * 1000};
        RC_ASSERT(seconds_of(read((negative ? "-" : "") + text)) == expected);
    });
}
