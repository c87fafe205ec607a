// SenML packs in CBOR.
#include <rapidcheck/catch.h>

#include "senml_fixture.hpp"

using namespace tickledger;
using namespace tickledger::test;
using Catch::Contains;
using namespace std::chrono_literals;

namespace {

const Instant now = senml_now;

}  // namespace

TEST_CASE("CBOR: whole numbers, half floats, decimal fractions, open lengths, text labels, nested unknowns") {
    // [{0: "w", 1: "count", 2: 4294967295}]
    CHECK(read(bytes("81 a3 00 61 77 01 65 63 6f 75 6e 74 02 1a ffffffff"))[0].count == 4'294'967'295);
    // The value as a half float, 1024.0.
    CHECK(read(bytes("81 a3 00 61 77 01 65 63 6f 75 6e 74 02 f9 6400"))[0].count == 1024);
    // [{0: "w", 1: "count", "x": true, 2: 5}]: the value of an unknown label need not be a number.
    CHECK(read(bytes("81 a4 00 61 77 01 65 63 6f 75 6e 74 61 78 f5 02 05"))[0].count == 5);
    // [{0: "w", 1: "m3", 2: 4([-3, 1234567])}]: a decimal fraction.
    CHECK(read(bytes("81 a3 00 61 77 01 62 6d 33 02 c4 82 22 1a 0012d687"))[0].count == 1'234'567);
    // [_ {_ "n": "w", "u": "l", "v": 7, "x": [1, {"y_": [_ 2]}], "vd": h'00'}, {6: -60, 2: 5}]
    const auto readings =
        read(bytes("9f bf 61 6e 61 77 61 75 61 6c 61 76 07 61 78 82 01 a1 62 79 5f 9f 02 ff ff"
                   "a4 01 61 6c 00 61 77 06 38 3b 02 05 ff"));
    REQUIRE(readings.size() == 2);
    CHECK(readings[0].count == 5);
    CHECK(readings[0].time == now - 60s);
    CHECK(readings[1].count == 7);
}

TEST_CASE("CBOR that is damaged or not SenML is refused") {
    CHECK_THAT(error_of(bytes("81")), Contains("ends too early"));
    CHECK_THAT(error_of(bytes("81 a1 02 fb 7ff8000000000000")), Contains("not finite"));
    CHECK_THAT(error_of(bytes("81 a1 02 fb 7ff0000000000000")), Contains("not finite"));
    CHECK_THAT(error_of(bytes("81 a1 01 62 c328")), Contains("UTF-8"));
    CHECK_THAT(error_of(bytes("81 a1 01 7f 61 6c ff")), Contains("definite length"));
    CHECK_THAT(error_of(bytes("81 a1 02 5f 41 61 ff")), Contains("definite length"));
    CHECK_THAT(error_of(bytes("81 a1 f6 01")), Contains("label"));
    CHECK_THAT(error_of(bytes("81 a1 02 c4 82 f6 01")), Contains("label"));
    CHECK_THAT(error_of(bytes("81 a1 02 c4 81 01")), Contains("decimal fraction"));
    CHECK_THAT(error_of(bytes("81 a1 02 c4 01")), Contains("decimal fraction"));
    CHECK_THAT(error_of(bytes("81 a1 f4 01")), Contains("label"));
    CHECK_THAT(error_of(bytes("81 a1 80 01")), Contains("label"));
    CHECK_THAT(error_of(bytes("81 a1 02 c4 82 80 01")), Contains("label"));
    CHECK_THAT(error_of(bytes("9f a0 ff ff")), Contains("continues after"));
    CHECK_THAT(error_of(bytes("81 ff")), Contains("not open"));
    CHECK_THAT(error_of(bytes("9f bf 01 ff ff")), Contains("not open"));
    CHECK_THAT(error_of(bytes("81 1c")), Contains("byte 2"));
    CHECK_THAT(error_of(bytes("81 01")), Contains("array of records"));
    CHECK_THAT(error_of(bytes("a1 02 01")), Contains("does not begin"));
    CHECK_THAT(error_of(bytes("81 a1 62 78 5f 01")), Contains("`x_`"));
    CHECK_THAT(error_of(bytes("81 a1 61 78") + std::string(70, '\x81') + '\x01'), Contains("deep"));
    CHECK_THAT(error_of(bytes("9b ffffffffffffffff")), Contains("ends too early"));
}

TEST_CASE("any damaged pack is read or refused and does no harm") {
    const std::string pack = bytes(
        "82 a4 21 61 77 22 fb 41da5565f0000000 23 62 6d33 02 c4 82 22 1a 0012d687"
        "a2 06 3903e7 02 f9 3e00");
    REQUIRE(decode(pack, meter(), now));
    rc::prop("bytes changed and cut", [&] {
        std::string damaged = pack;
        for (int changes = *rc::gen::inRange(0, 4); changes > 0; --changes) {
            damaged[*rc::gen::inRange<std::size_t>(0, damaged.size())] = *rc::gen::arbitrary<char>();
        }
        damaged.resize(*rc::gen::inRange<std::size_t>(1, damaged.size() + 1));
        const auto readings = decode(damaged, meter(), now);
        const bool sound = readings ? !readings->empty() : is_utf8(readings.error().text);
        RC_ASSERT(sound);
    });
}
