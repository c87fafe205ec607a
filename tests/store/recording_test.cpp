#include "store/recording.hpp"

#include <rapidcheck/catch.h>

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "core/json_text.hpp"
#include "events.hpp"
#include "store/line_scanner.hpp"

using namespace tickledger;
using namespace tickledger::test;

namespace {

Instant at(std::string_view text) {
    return parse_rfc3339(text).value();
}

Message message_of(std::string_view line) {
    const auto event = parse_line(line);
    INFO(line);
    if (!event) FAIL(event.error().text);
    REQUIRE(std::holds_alternative<Message>(*event));
    return std::get<Message>(*event);
}

std::string error_of(std::string_view line) {
    const auto event = parse_line(line);
    INFO(line);
    REQUIRE_FALSE(event);
    return event.error().text;
}

}  // namespace

TEST_CASE("a line has the documented form") {
    const Message message{
        at("2026-03-01T07:00:00.123456Z"), "nodes/cellar/water", R"({"count":7})", 1, false, false};
    CHECK(
        to_line(message) ==
        R"({"tst":"2026-03-01T07:00:00.123456Z","topic":"nodes/cellar/water","qos":1,"retain":0,"payload":"{\"count\":7}"})");
    const Message again{at("2026-03-01T07:00:00Z"), "n", "7", 0, true, true};
    CHECK(to_line(again) ==
          R"({"tst":"2026-03-01T07:00:00.000000Z","topic":"n","qos":0,"retain":1,"dup":1,"payload":"7"})");
    const LinkChange up{at("2026-03-01T07:00:00Z"), true, true};
    CHECK(to_line(up) == R"({"tst":"2026-03-01T07:00:00.000000Z","link":"up","session_present":true})");
    const Instruction instruction{at("2026-03-01T07:00:00Z"), R"({"do":"something","meter":"house"})"};
    CHECK(to_line(instruction) ==
          R"({"tst":"2026-03-01T07:00:00.000000Z","instruction":{"do":"something","meter":"house"}})");
}

TEST_CASE("a payload that is not UTF-8 is written as base64") {
    // The encoding of "\xFB\xFF\xFE": RFC 4648 section 4, computed with GNU base64.
    const std::string line =
        to_line(Message{at("2026-03-01T07:00:00Z"), "n", "\xFB\xFF\xFE", 1, false, false});
    CHECK(line.find(R"("payload_base64":"+//+")") != std::string::npos);
    CHECK(is_utf8(line));
    CHECK(message_of(line).payload == "\xFB\xFF\xFE");
}

TEST_CASE("lines that a general MQTT client wrote are read as they are") {
    // Recorded from mosquitto_sub 2.0.11, -F %j in the zone Europe/Berlin and -F %J in UTC.
    const Message text = message_of(
        R"({"tst":"2026-11-25T11:26:18.954224Z+0100","topic":"a/b","qos":1,"retain":0,"payloadlen":12,"mid":1,"payload":"{\"count\":12}"})");
    CHECK(text.arrived_at == at("2026-11-25T10:26:18.954224Z"));
    CHECK(text.topic == "a/b");
    CHECK(text.payload == R"({"count":12})");
    CHECK(text.qos == 1);
    CHECK_FALSE(text.retained);

    const Message value = message_of(
        R"({"tst":"2026-11-25T10:26:06.928421Z+0000","topic":"a/b","qos":0,"retain":1,"payloadlen":25,"payload":{"count":12,"x":[1,2.5]}})");
    CHECK(value.payload == R"({"count":12,"x":[1,2.5]})");
    CHECK(value.retained);

    const Message empty = message_of(
        R"({"tst":"2026-11-25T10:26:06.941404Z+0000","topic":"a/b","qos":0,"retain":0,"payloadlen":0,"payload":null})");
    CHECK(empty.payload.empty());
}

TEST_CASE("offsets with and without a colon, flags as words and unknown keys are read") {
    CHECK(message_of(R"({"tst":"2026-03-01T08:00:00+0100","topic":"t","payload":"1"})").arrived_at ==
          at("2026-03-01T07:00:00Z"));
    CHECK(message_of(R"({"tst":"2026-03-01T08:00:00.5+01:00","topic":"t","payload":"1"})").arrived_at ==
          at("2026-03-01T07:00:00.5Z"));
    const Message message = message_of(
        R"( {"payload":17, "retain":true, "dup":true, "tst":"2026-03-01T07:00:00Z", "topic":"t", "mid":[{}]} )");
    CHECK(message.payload == "17");
    CHECK(message.retained);
    CHECK(message.redelivered);
}

TEST_CASE("the error of a line that cannot be read says what is wrong with it") {
    using Catch::Contains;
    CHECK_THAT(error_of(""), Contains("not JSON"));
    CHECK_THAT(error_of(R"({"tst":"2026-03-01T07:00:00Z","topic":"t","payl)"), Contains("ends too early"));
    CHECK_THAT(error_of("[]"), Contains("not a JSON object"));
    CHECK_THAT(error_of(R"({"topic":"t","payload":"1"})"), Contains("no `tst`"));
    CHECK_THAT(error_of(R"({"tst":17,"topic":"t","payload":"1"})"), Contains("`tst`"));
    CHECK_THAT(error_of(R"({"tst":"yesterday","topic":"t","payload":"1"})"), Contains("yesterday"));
    CHECK_THAT(error_of(R"({"tst":"2026-03-01T07:00:00Z","payload":"1"})"), Contains("no `topic`"));
    CHECK_THAT(error_of(R"({"tst":"2026-03-01T07:00:00Z","topic":"t"})"), Contains("no `payload`"));
    CHECK_THAT(error_of(R"({"tst":"2026-03-01T07:00:00Z","topic":"t","payload":"1","qos":3})"),
               Contains("`qos`"));
    CHECK_THAT(error_of(R"({"tst":"2026-03-01T07:00:00Z","topic":"t","payload_base64":"*"})"),
               Contains("base64"));
    CHECK_THAT(error_of(R"({"tst":"2026-03-01T07:00:00Z","topic":"t","payload_base64":"===="})"),
               Contains("base64"));
    CHECK_THAT(error_of(R"({"tst":"2026-03-01T07:00:00Z","link":"sideways"})"), Contains("`link`"));
    CHECK_THAT(error_of("{\"tst\":\"2026-03-01T07:00:00Z\",\"topic\":\"t\",\"payload\":\"\xFF\"}"),
               Contains("byte"));
    CHECK_THAT(error_of(R"({"tst":"2026-03-01T07:00:00Z","topic":"t","payload":)" + std::string(5000, '[')),
               Contains("deep"));
}

TEST_CASE("any event reads back exactly from its line, by the fast scanner and by the general parser") {
    rc::prop("to_line, then parse_line", [] {
        const Event event = *events();
        const std::string line = to_line(event);
        RC_ASSERT(is_utf8(line));
        RC_ASSERT(line.find('\n') == std::string::npos);
        RC_ASSERT(nlohmann::json::accept(line));
        const auto read = parse_line(line);
        RC_ASSERT(read.has_value());
        RC_ASSERT(shown(*read) == shown(event));
        const auto read_generally = parse_general_line(line);
        RC_ASSERT(read_generally.has_value());
        RC_ASSERT(shown(*read_generally) == shown(event));
    });
}

TEST_CASE("a damaged line is never read differently by the two parsers") {
    rc::prop("one byte changed: the fast scanner gives nothing, or the same as the general parser", [] {
        std::string line = to_line(*events());
        const auto place = *rc::gen::inRange<std::size_t>(0, line.size());
        line[place] = static_cast<char>(static_cast<unsigned char>(*rc::gen::inRange(0, 256)));
        const auto fast = scan_line(line);
        if (!fast) return;
        const auto general = parse_general_line(line);
        RC_ASSERT(general.has_value());
        RC_ASSERT(shown(*general) == shown(*fast));
    });
}

TEST_CASE("characters between 9 and a, and signs, are not hexadecimal digits of an escape") {
    for (const std::string digits : {"0:", "0?", "1G", "-0", "-1", "+1", " 1", "2"}) {
        CHECK_FALSE(scan_line(R"({"tst":"2026-03-01T07:00:00.123456Z","topic":"\u00)" + digits +
                              R"(","qos":1,"retain":0,"payload":"7"})"));
    }
}

TEST_CASE("a line that ends within a time that is too short is not read beyond its end") {
    const auto line = std::make_unique<std::string>(R"({"tst":"2026-03-01T07:00:00.12Z)");
    line->shrink_to_fit();
    CHECK_FALSE(scan_line(*line));
    CHECK_FALSE(parse_line(*line));
}

TEST_CASE("the fast scanner reads the usual lines") {
    CHECK(scan_line(
        to_line(Message{at("2026-03-01T07:00:00Z"), "nodes/a", R"({"count":7,"s":"m³"})", 1, true, true})));
    CHECK(scan_line(to_line(LinkChange{at("2026-03-01T07:00:00Z"), false, false})));
}

TEST_CASE("a time since the machine's start of three hundred thousand years overflowed") {
    for (const char* since_boot : {"-1", "9223372036854775807", "18446744073709551615", "3162240000000001"}) {
        const std::string line =
            std::string(R"({"tst":"2026-03-01T07:00:00Z","clock":"set","since_boot_us":)") + since_boot + "}";
        CHECK_THAT(error_of(line), Catch::Contains("since_boot_us"));
    }
    CHECK(parse_line(R"({"tst":"2026-03-01T07:00:00Z","clock":"set","since_boot_us":3162240000000000})"));
}
