#include "core/senml_records.hpp"

#include <rapidcheck/catch.h>

#include <bit>

#include "senml_fixture.hpp"

using namespace tickledger;
using namespace tickledger::test;
using Catch::Contains;
using namespace std::chrono_literals;

namespace {

const Instant now = senml_now;

std::vector<ResolvedRecord> resolved(std::string_view pack) {
    const auto records = resolve_senml(pack, now);
    INFO(pack);
    if (!records) FAIL(records.error().text);
    return *records;
}

std::string text_of(const ExactNumber& number) {
    std::string digits = number.str();
    const std::string sign = digits.front() == '-' ? "-" : "";
    digits.erase(0, sign.size());
    digits.insert(0, digits.size() < 41 ? 41 - digits.size() : 0, '0');
    digits.insert(digits.size() - 40, ".");
    digits.erase(digits.find_last_not_of('0') + 1);
    if (digits.back() == '.') digits.pop_back();
    return sign + digits;
}

std::string shown(const ResolvedRecord& record) {
    return record.name + " " + record.unit + " " + (record.value ? text_of(*record.value) : "-") + " " +
           (record.time ? format_utc(*record.time) : "now");
}

std::vector<std::string> shown(const std::vector<ResolvedRecord>& records) {
    std::vector<std::string> texts;
    for (const auto& record : records)
        texts.push_back(shown(record));
    return texts;
}

std::uint64_t ticks(const std::string& value, const std::string& unit, Ratio pulse_value_l) {
    return read("[{\"n\":\"w\",\"u\":\"" + unit + "\",\"v\":" + value + "}]", meter(pulse_value_l))
        .front()
        .count;
}

}  // namespace

// The examples of RFC 8428, section by section, copied from the text of the RFC.

TEST_CASE("RFC 8428 section 5.1.1: a single data point") {
    CHECK(shown(resolved(R"([ {"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1} ])")) ==
          std::vector<std::string>{"urn:dev:ow:10e2073a01080063 Cel 23.1 now"});
}

TEST_CASE("RFC 8428 section 5.1.2: multiple data points") {
    CHECK(shown(resolved(R"([
        {"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},
        {"n":"current","u":"A","v":1.2}
    ])")) == std::vector<std::string>{"urn:dev:ow:10e2073a01080063:voltage V 120.1 now",
                                      "urn:dev:ow:10e2073a01080063:current A 1.2 now"});

    const std::vector<std::string> with_times{
        "urn:dev:ow:10e2073a0108006:current A 1.2 2010-06-08T18:01:11.001000Z",
        "urn:dev:ow:10e2073a0108006:current A 1.3 2010-06-08T18:01:12.001000Z",
        "urn:dev:ow:10e2073a0108006:current A 1.4 2010-06-08T18:01:13.001000Z",
        "urn:dev:ow:10e2073a0108006:current A 1.5 2010-06-08T18:01:14.001000Z",
        "urn:dev:ow:10e2073a0108006:current A 1.6 2010-06-08T18:01:15.001000Z",
        "urn:dev:ow:10e2073a0108006:voltage V 120.1 2010-06-08T18:01:16.001000Z",
        "urn:dev:ow:10e2073a0108006:current A 1.7 2010-06-08T18:01:16.001000Z"};
    CHECK(shown(resolved(R"([
        {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,
         "bu":"A","bver":5,
         "n":"voltage","u":"V","v":120.1},
        {"n":"current","t":-5,"v":1.2},
        {"n":"current","t":-4,"v":1.3},
        {"n":"current","t":-3,"v":1.4},
        {"n":"current","t":-2,"v":1.5},
        {"n":"current","t":-1,"v":1.6},
        {"n":"current","v":1.7}
    ])")) == with_times);

    // Section 6: the same in CBOR, 195 bytes.
    const std::string cbor = bytes(R"(
        87 a7 21 78 1b 75 72 6e 3a 64 65 76 3a 6f 77 3a 31 30 65 32 30 37 33 61 30 31 30 38 30 30 36 3a
        22 fb 41 d3 03 a1 5b 00 10 62 23 61 41 20 05 00 67 76 6f 6c 74 61 67 65 01 61 56 02 fb 40 5e 06
        66 66 66 66 66 a3 00 67 63 75 72 72 65 6e 74 06 24 02 fb 3f f3 33 33 33 33 33 33 a3 00 67 63 75
        72 72 65 6e 74 06 23 02 fb 3f f4 cc cc cc cc cc cd a3 00 67 63 75 72 72 65 6e 74 06 22 02 fb 3f
        f6 66 66 66 66 66 66 a3 00 67 63 75 72 72 65 6e 74 06 21 02 f9 3e 00 a3 00 67 63 75 72 72 65 6e
        74 06 20 02 fb 3f f9 99 99 99 99 99 9a a3 00 67 63 75 72 72 65 6e 74 06 00 02 fb 3f fb 33 33 33
        33 33 33)");
    REQUIRE(cbor.size() == 195);
    CHECK(shown(resolved(cbor)) == with_times);
    for (std::size_t size = 1; size < cbor.size(); ++size) {
        CHECK_THAT(resolve_senml(cbor.substr(0, size), now).error().text, Contains("ends too early"));
    }
    CHECK_THAT(resolve_senml(cbor + '\0', now).error().text, Contains("continues after"));
}

TEST_CASE("RFC 8428 sections 5.1.3 and 5.1.4: multiple measurements, and the same resolved") {
    const auto measured = resolved(R"([
        {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,
         "bu":"%RH","v":20},
        {"u":"lon","v":24.30621},
        {"u":"lat","v":60.07965},
        {"t":60,"v":20.3},
        {"u":"lon","t":60,"v":24.30622},
        {"u":"lat","t":60,"v":60.07965},
        {"t":120,"v":20.7},
        {"u":"lon","t":120,"v":24.30623},
        {"u":"lat","t":120,"v":60.07966},
        {"u":"%EL","t":150,"v":98},
        {"t":180,"v":21.2},
        {"u":"lon","t":180,"v":24.30628},
        {"u":"lat","t":180,"v":60.07967}
    ])");
    const auto in_resolved_form = resolved(R"([
        {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067464e+09,"v":20},
        {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067464e+09,"v":24.30621},
        {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067464e+09,"v":60.07965},
        {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067524e+09,"v":20.3},
        {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067524e+09,"v":24.30622},
        {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067524e+09,"v":60.07965},
        {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067584e+09,"v":20.7},
        {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067584e+09,"v":24.30623},
        {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067584e+09,"v":60.07966},
        {"n":"urn:dev:ow:10e2073a01080063","u":"%EL","t":1.320067614e+09,"v":98},
        {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067644e+09,"v":21.2},
        {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067644e+09,"v":24.30628},
        {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067644e+09,"v":60.07967}
    ])");
    CHECK(shown(measured) == shown(in_resolved_form));
    // "starting at Mon Oct 31 13:24:24 UTC 2011"
    CHECK(shown(measured.front()) == "urn:dev:ow:10e2073a01080063 %RH 20 2011-10-31T13:24:24.000000Z");
    CHECK(measured.size() == 13);
}

TEST_CASE("RFC 8428 section 5.1.5: multiple data types") {
    const std::string name = "urn:dev:ow:10e2073a01080063:";
    CHECK(shown(resolved(R"([
        {"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},
        {"n":"label","vs":"Machine Room"},
        {"n":"open","vb":false},
        {"n":"nfv-reader","vd":"aGkgCg"}
    ])")) == std::vector<std::string>{name + "temp Cel 23.1 now", name + "label  - now", name + "open  - now",
                                      name + "nfv-reader  - now"});
}

TEST_CASE("RFC 8428 section 5.1.6: a collection of resources") {
    CHECK(shown(resolved(R"([
        {"bn":"2001:db8::2/","bt":1.320078429e+09,
         "n":"temperature","u":"Cel","v":25.2},
        {"n":"humidity","u":"%RH","v":30},
        {"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3},
        {"n":"humidity","u":"%RH","v":67}
    ])")) == std::vector<std::string>{"2001:db8::2/temperature Cel 25.2 2011-10-31T16:27:09.000000Z",
                                      "2001:db8::2/humidity %RH 30 2011-10-31T16:27:09.000000Z",
                                      "2001:db8::1/temperature Cel 12.3 2011-10-31T16:27:09.000000Z",
                                      "2001:db8::1/humidity %RH 67 2011-10-31T16:27:09.000000Z"});
}

TEST_CASE("RFC 8428 section 5.1.7: a record with base fields only is not a measurement") {
    const auto records = resolved(R"([
        {"bn":"urn:dev:ow:10e2073a01080063:"},
        {"n":"temp","u":"Cel","v":23.1},
        {"n":"heat","u":"/","v":1},
        {"n":"fan","u":"/","v":0}
    ])");
    REQUIRE(records.size() == 3);
    CHECK(records[2].name == "urn:dev:ow:10e2073a01080063:fan");
}

TEST_CASE("base fields add, and hold until they are replaced") {
    CHECK(shown(resolved(R"([
        {"bn":"a/","bt":1700000000,"bu":"count","bv":1000,"n":"x","t":1,"v":1},
        {"t":2,"v":2},
        {"bv":2000,"bt":1700000010,"v":0.5},
        {"bn":"b/","n":"y","u":"m3","v":-1}
    ])")) == std::vector<std::string>{
                 "a/x count 1001 2023-11-14T22:13:21.000000Z", "a/ count 1002 2023-11-14T22:13:22.000000Z",
                 "a/ count 2000.5 2023-11-14T22:13:30.000000Z", "b/y m3 1999 2023-11-14T22:13:30.000000Z"});
    // Section 4.5.4: a record without its own value has the base value.
    CHECK(shown(resolved(R"([{"bn":"a","bv":7,"bu":"count","t":-60},{"t":-30}])")).size() == 2);
}

TEST_CASE("times below 2^28 seconds are relative to arrival") {
    const auto readings = read(
        R"([{"bn":"w","bu":"count","bt":-3600,"v":10},{"t":1800,"v":20},{"t":3600,"v":30},{"bt":268435455,"v":40}])");
    REQUIRE(readings.size() == 4);
    CHECK(readings[0].time == now - 1h);
    CHECK(readings[1].time == now - 30min);
    // Base time and time cancel out: measured roughly now, like a record without a time.
    CHECK_FALSE(readings[2].time);
    CHECK(readings[3].time == now + 268'435'455s);
    // "the smallest absolute Time value that can be expressed (2**28) is 1978-07-04 21:24:16 UTC":
    // section 4.5.3.
    CHECK(format_utc(*read(R"([{"n":"w","u":"count","t":268435456,"v":1}])")[0].time) ==
          "1978-07-04T21:24:16.000000Z");
    CHECK(read(R"([{"n":"w","u":"count","t":1767225600.0000005,"v":1}])")[0].time == now + 1us);
    CHECK(read(R"([{"n":"w","u":"count","t":-1e300,"v":1}])")[0].time == now - 62'135'596'800s);
    CHECK(read(R"([{"n":"w","u":"count","t":1e300,"v":1}])")[0].time == instant_of(253'402'300'799'999'999));
}

TEST_CASE("records are sorted by time, and those without a time count as of their arrival") {
    const auto readings = read(
        R"([{"bn":"w","bu":"count","v":4},{"t":-20,"v":2},{"t":-30,"v":1},{"t":-10,"v":3},{"t":5,"v":5}])");
    std::vector<std::uint64_t> counts;
    for (const Reading& reading : readings)
        counts.push_back(reading.count);
    CHECK(counts == std::vector<std::uint64_t>{1, 2, 3, 4, 5});
    CHECK_FALSE(readings[3].time);
    CHECK_FALSE(readings[0].boot);
    CHECK_FALSE(readings[0].seq);
}

TEST_CASE("volumes give exactly the whole pulse values in them") {
    CHECK(ticks("1234.567", "m3", {1, 1}) == 1'234'567);
    CHECK(ticks("1234567", "l", {1, 1}) == 1'234'567);
    CHECK(ticks("1234.567", "m3", {10, 1}) == 123'456);
    CHECK(ticks("0.1", "l", {1, 10}) == 1);
    CHECK(ticks("0.3", "l", {1, 10}) == 3);
    CHECK(ticks("1", "l", {1, 3}) == 3);
    CHECK(ticks("0.999", "l", {1, 3}) == 2);
    CHECK(ticks("0", "m3", {1, 1}) == 0);
    CHECK(ticks("4294967.295", "m3", {1, 1}) == 4'294'967'295);
    // 100 US gallons of 3.785411784 L (231 cubic inches, exactly).
    CHECK(ticks("378.5411784", "l", {473'176'473, 125'000'000}) == 100);
    CHECK(ticks("378.5411", "l", {473'176'473, 125'000'000}) == 99);
    // A pulse value that lacks at most half a millionth counts as full.
    CHECK(ticks("28.999999999999996", "l", {1, 1}) == 29);
    CHECK(ticks("28.9999995", "l", {1, 1}) == 29);
    CHECK(ticks("28.9999994", "l", {1, 1}) == 28);
}

TEST_CASE("every whole number of pulse values can be recovered from its volume") {
    rc::prop("in litres and cubic metres, in JSON and as a CBOR double", [] {
        const auto count = *rc::gen::inRange<std::uint64_t>(0, std::uint64_t{1} << 32);
        const auto tenths = count;  // of a litre
        std::string text = std::to_string(tenths);
        text.insert(0, text.size() < 5 ? 5 - text.size() : 0, '0');
        text.insert(text.size() - 4, ".");
        RC_ASSERT(ticks(text + "e0", "m3", {1, 10}) == count);

        const double value = static_cast<double>(tenths) / 10'000.0;
        const auto bits = std::bit_cast<std::uint64_t>(value);
        std::string cbor = bytes("81 a3 00 61 77 01 62 6d 33 02 fb");
        for (int shift = 56; shift >= 0; shift -= 8)
            cbor += static_cast<char>(bits >> static_cast<unsigned>(shift));
        RC_ASSERT(read(cbor, meter({1, 10})).front().count == count);
    });
}

TEST_CASE("a pack with several names needs senml_name") {
    const std::string pack =
        R"([{"bn":"flat:","n":"cold","u":"count","v":1},{"n":"warm","u":"count","v":2},{"n":"battery","u":"%EL","v":98}])";
    CHECK_THAT(error_of(pack), Contains("flat:cold") && Contains("flat:warm") && Contains("senml_name"));
    MeterSettings settings = meter();
    settings.senml_name = "flat:warm";
    CHECK(read(pack, settings).size() == 1);
    CHECK(read(pack, settings)[0].count == 2);
    settings.senml_name = "flat:hot";
    CHECK_THAT(error_of(pack, settings), Contains("flat:hot") && Contains("flat:cold"));
    // Other quantities under other names do not need it.
    CHECK(read(R"([{"n":"water","u":"count","v":1},{"n":"battery","u":"%EL","v":98}])")[0].count == 1);
}

TEST_CASE("a pack that cannot be read says why") {
    CHECK_THAT(error_of("[]"), Contains("no record"));
    CHECK_THAT(error_of(R"([{"n":"t","u":"Cel","v":1}])"), Contains("no record") && Contains("Cel"));
    CHECK_THAT(error_of(R"({"n":"w","u":"count","v":1})"), Contains("single object"));
    CHECK_THAT(error_of("[1]"), Contains("array of records"));
    CHECK_THAT(error_of("[[]]"), Contains("an array in it"));
    CHECK_THAT(error_of("[null]"), Contains("null"));
    CHECK_THAT(error_of("17"), Contains("does not begin"));
    CHECK_THAT(error_of(R"([{"n":"w","u":"count","v":1})"), Contains("ends too early"));
    CHECK_THAT(error_of("[{\"n\":\"\xFF\"}]"), Contains("not JSON"));
    CHECK_THAT(error_of(R"([{"n":"w","u":"count","v":"1"}])"), Contains("`v`") && Contains("number"));
    CHECK_THAT(error_of(R"([{"n":"w","u":"count","v":[1]}])"), Contains("`v`"));
    CHECK_THAT(error_of(R"([{"n":"w","u":"count","v":1},{"n":7}])"), Contains("`n`") && Contains("record 2"));
    CHECK_THAT(error_of(R"([{"n":"w","u":"count","v":1,"t":"noon"}])"), Contains("`t`"));
    CHECK_THAT(error_of(R"([{"n":"w","u":"count","v":1,"v":2}])"), Contains("twice"));
    CHECK_THAT(error_of(R"([{"n":"w","u":"count","v":1.5}])"), Contains("whole"));
    CHECK_THAT(error_of(R"([{"n":"w","u":"count","v":-1}])"), Contains("negative"));
    CHECK_THAT(error_of(R"([{"n":"w","u":"m3","v":-0.001}])"), Contains("negative"));
    CHECK_THAT(error_of(R"([{"n":"w","u":"count","v":4294967296}])"),
               Contains("4294967296") && !Contains("4294967296."));
    CHECK_THAT(error_of(R"([{"n":"w","u":"count","v":1.50}])"), Contains("1.5") && !Contains("1.50"));
    CHECK_THAT(error_of(R"([{"n":"w","u":"m3","v":-0.0010}])"), Contains("-0.001") && !Contains("-0.0010"));
    CHECK_THAT(error_of(R"([{"n":"w","u":"m3","v":1e308}])"), Contains("32 bits"));
    CHECK_THAT(error_of(R"([{"n":"w","u":"count","vs":"1"}])"), Contains("no number"));
    CHECK_THAT(error_of(R"([{"n":"w","u":"count","v":1},{"n":"w","u":"m3","v":1}])"),
               Contains("counts and volumes"));
    // Section 4.4.
    CHECK_THAT(error_of(R"([{"n":"w","u":"count","v":1,"new_":0}])"), Contains("`new_`"));
    CHECK_THAT(error_of(R"([{"bver":11,"n":"w","u":"count","v":1}])"), Contains("version 11"));
    CHECK_THAT(error_of(R"([{"bver":-1,"n":"w","u":"count","v":1}])"), Contains("version"));
    CHECK(read(R"([{"bver":10,"n":"w","u":"count","v":1,"new":[{"x_":1}],"ut":60,"vb":null}])")[0].count ==
          1);
    // Section 10: a counter goes in `v`; a sum is an integral and counts nothing.
    CHECK_THAT(error_of(R"([{"n":"w","u":"count","s":1}])"), Contains("no number"));
    CHECK_THAT(error_of("[{\"n\":\"w\",\"x\":" + std::string(70, '[')), Contains("deep"));
}
