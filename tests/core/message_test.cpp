#include "tickledger/message.hpp"

#include <rapidcheck/catch.h>

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "core/json_text.hpp"

using namespace tickledger;
using Catch::Contains;

namespace {

const Instant arrival = instant_of(1'767'225'600'000'000);

MeterSettings counter() {
    return MeterSettings{};
}

MeterSettings pulses() {
    MeterSettings meter;
    meter.message = MessageForm::pulses;
    return meter;
}

Reading read(std::string_view payload, const MeterSettings& meter = counter()) {
    const auto readings = decode(payload, meter, arrival);
    INFO(payload);
    if (!readings) FAIL(readings.error().text);
    REQUIRE(readings->size() == 1);
    return readings->front();
}

std::string error_of(std::string_view payload, const MeterSettings& meter = counter()) {
    const auto readings = decode(payload, meter, arrival);
    INFO(payload.substr(0, 100));
    REQUIRE_FALSE(readings);
    // Errors are shown and stored as JSON, so they must be UTF-8 for any payload.
    REQUIRE(is_utf8(readings.error().text));
    return readings.error().text;
}

}  // namespace

TEST_CASE("all fields of a counter message are read") {
    const Reading reading = read(
        R"({"count":1234,"boot":"a7","seq":17,"time":"2026-01-01T00:00:00.25Z","saved":1000,"uptime":3600.5})");
    CHECK(reading.count == 1234);
    CHECK(reading.boot == fingerprint("a7"));
    CHECK(reading.seq == 17);
    CHECK(reading.time == instant_of(1'767'225'600'250'000));
    CHECK(reading.saved == 1000);
    CHECK(reading.uptime == Duration{3'600'500'000});
}

TEST_CASE("missing fields of a counter message stay empty, and so do null fields") {
    for (const char* payload :
         {R"({"count":0})", R"({"count":0,"boot":null,"seq":null,"time":null,"saved":null,"uptime":null})"}) {
        const Reading reading = read(payload);
        CHECK(reading.count == 0);
        CHECK_FALSE(reading.boot);
        CHECK_FALSE(reading.seq);
        CHECK_FALSE(reading.time);
        CHECK_FALSE(reading.saved);
        CHECK_FALSE(reading.uptime);
    }
}

TEST_CASE("a pulses message gives the pulses, and counter_bits does not limit them") {
    MeterSettings meter = pulses();
    meter.counter_bits = 8;
    const Reading reading =
        read(R"({"pulses":300,"boot":3,"seq":1,"saved":"of no concern","count":"nor this"})", meter);
    CHECK(reading.count == 300);
    CHECK(reading.boot == fingerprint("3"));
    CHECK(reading.seq == 1);
    CHECK_FALSE(reading.saved);
    CHECK_THAT(error_of(R"({"count":1})", meter), Contains("`pulses`") && Contains("/pulses"));
}

TEST_CASE("fields are found by JSON Pointers, as in RFC 6901 section 5") {
    // The document of that section. Its numbers are the counts.
    const std::string document =
        R"({"foo":["bar","baz"],"":0,"a/b":1,"c%d":2,"e^f":3,"g|h":4,"i\\j":5,"k\"l":6," ":7,"m~n":8})";
    const std::vector<std::pair<std::string, std::uint64_t>> places{{"/", 0},     {"/a~1b", 1}, {"/c%d", 2},
                                                                    {"/e^f", 3},  {"/g|h", 4},  {"/i\\j", 5},
                                                                    {"/k\"l", 6}, {"/ ", 7},    {"/m~0n", 8}};
    for (const auto& [pointer, value] : places) {
        MeterSettings meter;
        meter.fields.count = pointer;
        meter.fields.boot = "/foo/0";
        const Reading reading = read(document, meter);
        CHECK(reading.count == value);
        CHECK(reading.boot == fingerprint("bar"));
    }
}

TEST_CASE("pointers reach only into arrays and objects") {
    MeterSettings meter;
    meter.fields.count = "/sensors/1/values/0";
    meter.fields.boot = "/meta/boot";
    CHECK(
        read(
            R"({"meta":{"boot":"x","deep":{"count":9}},"sensors":[{"values":[1]},{"values":[[8],7]},3],"count":5})",
            [&] {
                auto m = meter;
                m.fields.count = "/sensors/1/values/1";
                return m;
            }())
            .count == 7);
    CHECK(read(R"({"sensors":[0,{"values":[42,43]}],"meta":{"boot":"x"}})", meter).count == 42);
    CHECK_THAT(error_of(R"({"sensors":[0,{"values":[[42]]}]})", meter), Contains("an array or object"));
    CHECK_THAT(error_of(R"({"sensors":{"1":{"other":[42]}}})", meter), Contains("no field `count`"));
    CHECK_THAT(error_of(R"({"deep":{"count":1}})"), Contains("no field `count`") && Contains("/count"));
}

TEST_CASE("a bare number is a count if the pointer is the whole document") {
    MeterSettings meter;
    meter.fields.count = "";
    CHECK(read("1234", meter).count == 1234);
    CHECK(read(" 1234.0\n", meter).count == 1234);
    CHECK_THAT(error_of(R"({"count":1})", meter), Contains("an array or object"));
    CHECK_THAT(error_of("\"12\"", meter), Contains("the text \"12\""));
    CHECK_THAT(error_of("null", meter), Contains("null"));
    CHECK_THAT(error_of("12 13", meter), Contains("not JSON"));
}

TEST_CASE("a field that is not configured is not read") {
    MeterSettings meter;
    meter.fields.boot = std::nullopt;
    CHECK_FALSE(read(R"({"count":1,"boot":{}})", meter).boot);
}

TEST_CASE("whole numbers stay exact however they are written") {
    MeterSettings meter;
    meter.counter_bits = 63;
    CHECK(read(R"({"count":1000.0})").count == 1000);
    CHECK(read(R"({"count":1e3})").count == 1000);
    CHECK(read(R"({"count":-0})").count == 0);
    // 2^53 + 1 and 2^63 - 1: no double holds them.
    CHECK(read(R"({"count":9007199254740993})", meter).count == 9'007'199'254'740'993);
    CHECK(read(R"({"count":9007199254740993.0})", meter).count == 9'007'199'254'740'993);
    CHECK(read(R"({"count":9223372036854775807})", meter).count == 9'223'372'036'854'775'807);
}

TEST_CASE("an invalid count is refused with the field and the value") {
    CHECK_THAT(error_of(R"({"count":-5})"), Contains("`count`") && Contains("-5") && Contains("negative"));
    CHECK_THAT(error_of(R"({"count":3.5})"), Contains("`count`") && Contains("35e-1") && Contains("whole"));
    CHECK_THAT(error_of(R"({"count":"12"})"),
               Contains("`count`") && Contains("\"12\"") && Contains("whole number"));
    CHECK_THAT(error_of(R"({"count":true})"), Contains("true"));
    CHECK_THAT(error_of(R"({"count":null})"), Contains("null"));
    CHECK_THAT(error_of(R"({"count":[1]})"), Contains("an array or object"));
    CHECK_THAT(error_of(R"({"count":1e308})"), Contains("1e308") && Contains("32 bits"));
    CHECK_THAT(error_of(R"({"count":1e999})"), Contains("not JSON"));
    CHECK_THAT(error_of(R"({"count":NaN})"), Contains("not JSON"));
    CHECK_THAT(error_of(R"({"count":18446744073709551616})"), Contains("32 bits"));
    CHECK_THAT(error_of(R"({"total":1})"), Contains("no field `count`"));
}

TEST_CASE("a count or saved value of 2^counter_bits is too large") {
    MeterSettings meter;
    for (const int bits : {1, 8, 16, 32, 63}) {
        meter.counter_bits = bits;
        const std::uint64_t limit = std::uint64_t{1} << bits;
        const auto saying = [](const char* field, std::uint64_t value) {
            return std::string(R"({"count":0,")") + field + "\":" + std::to_string(value) + "}";
        };
        CHECK(read("{\"count\":" + std::to_string(limit - 1) + "}", meter).count == limit - 1);
        CHECK_THAT(error_of("{\"count\":" + std::to_string(limit) + "}", meter),
                   Contains(std::to_string(limit)));
        CHECK(read(saying("saved", limit - 1), meter).saved == limit - 1);
        CHECK_THAT(error_of(saying("saved", limit), meter), Contains("`saved`"));
        CHECK(read(saying("seq", 1'000'000), meter).seq == 1'000'000);
    }
    meter.counter_bits = 0;
    CHECK(read(R"({"count":9223372036854775807})", meter).count == 9'223'372'036'854'775'807);
    CHECK_THAT(error_of(R"({"count":9223372036854775808})", meter), Contains("not kept"));
}

TEST_CASE("an optional field of the wrong type makes the message unreadable") {
    CHECK_THAT(error_of(R"({"count":1,"boot":[]})"), Contains("`boot`"));
    CHECK_THAT(error_of(R"({"count":1,"seq":"1"})"), Contains("`seq`"));
    CHECK_THAT(error_of(R"({"count":1,"seq":-1})"), Contains("`seq`") && Contains("negative"));
    CHECK_THAT(error_of(R"({"count":1,"seq":1.5})"), Contains("`seq`"));
    CHECK_THAT(error_of(R"({"count":1,"seq":9223372036854775808})"), Contains("`seq`"));
    CHECK_THAT(error_of(R"({"count":1,"time":true})"), Contains("`time`") && Contains("true"));
    CHECK_THAT(error_of(R"({"count":1,"time":"noon"})"), Contains("`time`") && Contains("noon"));
    CHECK_THAT(error_of(R"({"count":1,"saved":1.5})"), Contains("`saved`"));
    CHECK_THAT(error_of(R"({"count":1,"uptime":"1h"})"), Contains("`uptime`"));
    CHECK_THAT(error_of(R"({"count":1,"uptime":-1})"), Contains("`uptime`") && Contains("negative"));
}

TEST_CASE("times are RFC 3339 or Unix seconds") {
    const auto time_of = [](const std::string& written) {
        return read("{\"count\":1,\"time\":" + written + "}").time;
    };
    CHECK(time_of(R"("2026-01-01T01:00:00+01:00")") == arrival);
    CHECK(time_of("1767225600") == arrival);
    CHECK(time_of("1767225600.000001") == arrival + Duration{1});
    CHECK(time_of("1.7672256e9") == arrival);
    CHECK(time_of("0") == instant_of(0));
    CHECK(time_of("-1.5") == instant_of(-1'500'000));
    // Milliseconds by mistake, or worse. Booking will not believe this time, but the count is still good.
    CHECK(*time_of("1767225600000") > arrival + std::chrono::hours{24 * 365});
    CHECK(*time_of("1e300") == instant_of(253'402'300'799'999'999));
}

TEST_CASE("boots are equal if their texts or numbers are equal, and no boot is 0") {
    const auto boot_of = [](const std::string& written) {
        return read("{\"count\":1,\"boot\":" + written + "}").boot;
    };
    CHECK(boot_of("7") == boot_of("7.0"));
    CHECK(boot_of("7") != boot_of("8"));
    CHECK_THAT(error_of(R"({"count":1,"boot":true})"), Contains("boot") && Contains("a text or a number"));
    CHECK(boot_of(R"("a")") == boot_of(R"("\u0061")"));
    CHECK(boot_of(R"("")").has_value());
    CHECK(boot_of("18446744073709551615") != boot_of("18446744073709551614"));
    rc::prop("no boot has the fingerprint 0, which means no boot",
             [&](std::int64_t number) { RC_ASSERT(boot_of(std::to_string(number)).value() != 0U); });
}

TEST_CASE("a payload that is not JSON is refused with the place of the error") {
    CHECK_THAT(error_of(""), Contains("empty"));
    CHECK_THAT(error_of("{"), Contains("not JSON") && Contains("ends too early"));
    CHECK_THAT(error_of(R"({"count":12)"), Contains("ends too early"));
    CHECK_THAT(error_of(R"({"count":12}x)"), Contains("byte 13"));
    CHECK_THAT(error_of(R"({"count":012})"), Contains("not JSON"));
    CHECK_THAT(error_of(R"({count:12})"), Contains("byte 2"));
    CHECK_THAT(error_of("{\"count\":12,\"name\":\"\xC3\x28\"}"), Contains("not JSON") && Contains("byte"));
    CHECK_THAT(error_of(std::string("\0\x01\x02", 3)), Contains("not JSON"));
}

TEST_CASE("a payload that is too large or nested too deeply is refused before it is parsed") {
    std::string payload = R"({"count":12,"filler":")" + std::string(payload_max_bytes, 'x');
    payload.resize(payload_max_bytes - 2);
    payload += "\"}";
    CHECK(read(payload).count == 12);
    payload.insert(1, " ");
    CHECK_THAT(error_of(payload), Contains("more than 65536 bytes"));

    const auto nested = [](std::size_t depth) {
        return R"({"count":12,"x":)" + std::string(depth - 1, '[') + std::string(depth - 1, ']') + "}";
    };
    CHECK(read(nested(64)).count == 12);
    CHECK_THAT(error_of(nested(65)), Contains("64 levels deep"));
    // Brackets within a string do not count.
    CHECK(read(R"({"count":12,"x":")" + std::string(100, '[') + "\\\"\"}").count == 12);
    CHECK_THAT(error_of(std::string(60'000, '[')), Contains("64 levels deep"));
    CHECK_THAT(error_of(std::string(payload_max_bytes / 5, '{')), Contains("not JSON"));
}

TEST_CASE("brackets are counted after strings but not within them") {
    CHECK_FALSE(depth_is_bounded(R"({"a":"b","c":)" + std::string(100, '[')));
    CHECK(depth_is_bounded(R"({"a":"b \"[)" + std::string(100, '[') + "\"}"));
}

TEST_CASE("bytes that begin no character are not UTF-8") {
    // The Unicode Standard, table 3-7: well-formed UTF-8 byte sequences.
    CHECK(is_utf8("\xF4\x8F\xBF\xBF"));
    CHECK_FALSE(is_utf8("\xF5\x80\x80\x80"));
    CHECK_FALSE(is_utf8("\xF4\x90\x80\x80"));
    CHECK_FALSE(is_utf8("\x80\x80\x80\x80"));
}

TEST_CASE("a field that occurs twice is ambiguous") {
    CHECK_THAT(error_of(R"({"count":1,"count":2})"), Contains("`count`") && Contains("twice"));
    CHECK(read(R"({"count":1,"other":1,"other":2})").count == 1);
}

TEST_CASE("payloads that a JSON library refuses give an error text, and the count of others is right") {
    rc::prop("bytes", [](const std::string& payload) {
        for (const MessageForm form :
             {MessageForm::counter, MessageForm::pulses, MessageForm::senml, MessageForm::volume}) {
            MeterSettings meter;
            meter.message = form;
            const auto readings = decode(payload, meter, arrival);
            // SenML may be CBOR too.
            if (readings) RC_ASSERT((form == MessageForm::senml || nlohmann::json::accept(payload)));
            if (!readings) RC_ASSERT((is_utf8(readings.error().text) && !readings.error().text.empty()));
        }
    });
    rc::prop("a message with one byte changed", [](std::uint16_t place, char byte) {
        std::string payload =
            R"({"count":1234,"boot":"a7","seq":17,"time":"2026-01-01T00:00:00.25Z","saved":1000,"uptime":3600.5})";
        payload[place % payload.size()] = byte;
        const auto readings = decode(payload, counter(), arrival);
        const auto document = nlohmann::json::parse(payload, nullptr, false);
        if (readings) {
            RC_ASSERT(document.is_object());
            RC_ASSERT(document.at("count").get<double>() == static_cast<double>(readings->front().count));
        } else {
            RC_ASSERT((is_utf8(readings.error().text) && !readings.error().text.empty()));
        }
    });
}

TEST_CASE("fingerprints are those of FNV-1a") {
    // Test vectors of the algorithm's authors for the 64-bit FNV-1a (from memory).
    CHECK(fingerprint("") == 0xcbf29ce484222325U);
    CHECK(fingerprint("a") == 0xaf63dc4c8601ec8cU);
    CHECK(fingerprint("foobar") == 0x85944171f73967e8U);
}

TEST_CASE("topic filters match as in MQTT 3.1.1 section 4.7") {
    // Section 4.7.1.2.
    CHECK(topic_matches("sport/tennis/player1/#", "sport/tennis/player1"));
    CHECK(topic_matches("sport/tennis/player1/#", "sport/tennis/player1/ranking"));
    CHECK(topic_matches("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon"));
    CHECK(topic_matches("sport/#", "sport"));
    CHECK(topic_matches("#", "sport/tennis"));
    // Section 4.7.1.3.
    CHECK(topic_matches("sport/tennis/+", "sport/tennis/player1"));
    CHECK_FALSE(topic_matches("sport/tennis/+", "sport/tennis/player1/ranking"));
    CHECK_FALSE(topic_matches("sport/+", "sport"));
    CHECK(topic_matches("sport/+", "sport/"));
    CHECK(topic_matches("+/+", "/finance"));
    CHECK(topic_matches("/+", "/finance"));
    CHECK_FALSE(topic_matches("+", "/finance"));
    CHECK(topic_matches("+/tennis/#", "sport/tennis"));
    CHECK(topic_matches("sport/+/player1", "sport/tennis/player1"));
    // Section 4.7.2.
    CHECK_FALSE(topic_matches("#", "$SYS/broker"));
    CHECK_FALSE(topic_matches("+/monitor/Clients", "$SYS/monitor/Clients"));
    CHECK(topic_matches("$SYS/#", "$SYS/"));
    CHECK(topic_matches("$SYS/monitor/+", "$SYS/monitor/Clients"));
    // Section 4.7.3: case counts, a leading slash makes another topic, spaces are allowed.
    CHECK_FALSE(topic_matches("ACCOUNTS", "Accounts"));
    CHECK_FALSE(topic_matches("/finance", "finance"));
    CHECK(topic_matches("Accounts payable", "Accounts payable"));
    CHECK_FALSE(topic_matches("", ""));
    CHECK_FALSE(topic_matches("a/b", "a"));
    CHECK_FALSE(topic_matches("a", "a/b"));
}

TEST_CASE("the first wildcard names the meter") {
    CHECK(first_wildcard("flats/+/water", "flats/7/water") == "7");
    CHECK(first_wildcard("flats/+/+/#", "flats/7/water/cold") == "7");
    CHECK(first_wildcard("+/water", "/water") == "");
    CHECK_FALSE(first_wildcard("flats/+/water", "flats/7/heat"));
    CHECK_FALSE(first_wildcard("flats/7/water", "flats/7/water"));
    CHECK_FALSE(first_wildcard("flats/#", "flats/7/water"));
}

TEST_CASE("a filter made from a topic matches it, and its first wildcard is what it replaced") {
    rc::prop("levels replaced by + and the rest by #", [] {
        const auto levels = *rc::gen::nonEmpty(rc::gen::container<std::vector<std::string>>(
            rc::gen::element<std::string>("a", "b", "7", "flat 1", "ä")));
        const auto plus = *rc::gen::inRange<std::size_t>(0, levels.size());
        const auto hash = *rc::gen::inRange<std::size_t>(plus + 1, levels.size() + 2);
        std::string topic;
        std::string filter;
        for (std::size_t i = 0; i < levels.size(); ++i) {
            topic += (i > 0 ? "/" : "") + levels[i];
            if (i < hash) filter += (i > 0 ? "/" : "") + (i == plus ? "+" : levels[i]);
        }
        if (hash <= levels.size()) filter += "/#";
        RC_ASSERT(topic_matches(filter, topic));
        RC_ASSERT(first_wildcard(filter, topic) == levels[plus]);
        RC_ASSERT_FALSE(topic_matches(filter, "x/" + topic + "/other/" + topic) && hash > levels.size());
    });
}
