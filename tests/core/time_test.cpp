#include "tickledger/time.hpp"

#include <rapidcheck/catch.h>

#include <catch2/catch.hpp>
#include <limits>

using namespace tickledger;

namespace {

std::int64_t read_us(std::string_view text) {
    const Result<Instant> instant = parse_rfc3339(text);
    INFO(text);
    REQUIRE(instant);
    return microseconds_of(*instant);
}

}  // namespace

TEST_CASE("RFC 3339 times are read to the microsecond") {
    CHECK(read_us("1970-01-01T00:00:00Z") == 0);
    // The examples of RFC 3339 section 5.8; the seconds since 1970 are computed with GNU date.
    CHECK(read_us("1985-04-12T23:20:50.52Z") == 482'196'050'520'000);
    CHECK(read_us("1996-12-19T16:39:57-08:00") == 851'042'397'000'000);
    CHECK(read_us("1937-01-01T12:00:27.87+00:20") == -1'041'337'172'130'000);
    CHECK(read_us("2026-03-01 08:00:00+01:00") == read_us("2026-03-01T07:00:00Z"));
    CHECK(read_us("2026-03-01t07:00:00z") == read_us("2026-03-01T07:00:00Z"));
    CHECK(read_us("2026-03-01T07:00:00.1234569Z") == read_us("2026-03-01T07:00:00.123456Z"));
    CHECK(read_us("2024-02-29T00:00:00Z") - read_us("2024-02-28T00:00:00Z") == 86'400'000'000);
    CHECK(read_us("0000-01-01T00:00:00Z") < read_us("9999-12-31T23:59:59.999999Z"));
}

TEST_CASE("the times of the general MQTT client are read, without a colon and with a Z before the offset") {
    CHECK(read_us("2026-03-01T08:00:00.123456+0100") == read_us("2026-03-01T07:00:00.123456Z"));
    // mosquitto_sub 2.0.11 writes this form for local time.
    CHECK(read_us("2026-03-01T08:00:00.123456Z+0100") == read_us("2026-03-01T07:00:00.123456Z"));
    CHECK(read_us("2026-03-01T07:00:00.123456Z+0000") == read_us("2026-03-01T07:00:00.123456Z"));
    CHECK(read_us("2026-03-01T03:30:00-0330") == read_us("2026-03-01T07:00:00Z"));
}

TEST_CASE("a time that was read can be written and read again, also at the first and last year") {
    // The first is a leap second that leads into the year 10000, which RFC 3339 cannot write.
    for (const std::string_view beyond :
         {"9999-12-31T23:59:60.999999Z", "9999-12-31T23:59:59-00:01", "0000-01-01T00:00:00+00:01"}) {
        INFO(beyond);
        CHECK_FALSE(parse_rfc3339(beyond));
    }
    for (const std::string_view last : {"9999-12-31T23:59:59.999999Z", "0000-01-01T00:00:00.000000Z"}) {
        const auto moment = parse_rfc3339(last);
        REQUIRE(moment);
        CHECK(format_utc(*moment) == last);
    }
}

TEST_CASE("the first 64 characters of a refused time or duration are shown") {
    const std::string early = "0000-01-01T00:00:00." + std::string(60, '0') + "+00:01";
    const auto refused = parse_rfc3339(early);
    REQUIRE_FALSE(refused);
    CHECK_THAT(refused.error().text, Catch::StartsWith('"' + early.substr(0, 64) + '"'));
    const std::string long_duration = "P" + std::string(70, '1') + "D";
    const auto refused_duration = parse_iso_duration(long_duration);
    REQUIRE_FALSE(refused_duration);
    CHECK_THAT(refused_duration.error().text, Catch::StartsWith('"' + long_duration.substr(0, 64) + '"'));
}

TEST_CASE("a leap second is the first instant of the next minute") {
    // The leap seconds in RFC 3339 section 5.8.
    CHECK(read_us("1990-12-31T23:59:60Z") == read_us("1991-01-01T00:00:00Z"));
    CHECK(read_us("1990-12-31T15:59:60-08:00") == read_us("1991-01-01T00:00:00Z"));
    CHECK(read_us("2016-12-31T23:59:60.75Z") == read_us("2017-01-01T00:00:00Z"));
    CHECK_FALSE(parse_rfc3339("2016-12-31T12:30:60Z"));
}

TEST_CASE("a text that is not a time is refused in a sentence that quotes it") {
    for (const std::string_view text : {"",
                                        "2026",
                                        "2026-03-01",
                                        "2026-03-01T07:00Z",
                                        "2026-03-01T07:00:00",
                                        "2026-13-01T07:00:00Z",
                                        "2026-02-29T07:00:00Z",
                                        "2026-00-10T07:00:00Z",
                                        "2026-03-01T24:00:00Z",
                                        "2026-03-01T07:60:00Z",
                                        "2026-03-01T07:00:61Z",
                                        "2026-03-01T07:00:00.Z",
                                        "2026-03-01T07:00:00,5Z",
                                        "2026-03-01T07:00:00+24:00",
                                        "2026-03-01T07:00:00+01:60",
                                        "2026-03-01T07:00:00+1",
                                        "2026-03-01T07:00:00Zx",
                                        " 2026-03-01T07:00:00Z",
                                        "2026-03-01T07:00:00Z ",
                                        "2026-03-01T07:00:00+01:00x",
                                        "2026-3-1T07:00:00Z",
                                        "+026-03-01T07:00:00Z",
                                        "2026-03-01T07:00:00Z01:00",
                                        "26-03-01T07:00:00Z",
                                        "2026-03-01T-7:00:00Z"}) {
        INFO(text);
        const Result<Instant> instant = parse_rfc3339(text);
        REQUIRE_FALSE(instant);
        CHECK(instant.error().text.find(text) != std::string::npos);
    }
}

TEST_CASE("times can be written and read back") {
    rc::prop("any instant of the years 0 to 9999", [] {
        const auto us = *rc::gen::inRange<std::int64_t>(-62'167'219'200'000'000, 253'402'300'800'000'000);
        const std::string text = format_utc(instant_of(us));
        RC_ASSERT(text.size() == 27U);
        const Result<Instant> back = parse_rfc3339(text);
        RC_ASSERT(back.has_value());
        RC_ASSERT(microseconds_of(*back) == us);
    });
    rc::prop("text order is time order", [] {
        const auto a = *rc::gen::inRange<std::int64_t>(0, 253'402'300'800'000'000);
        const auto b = *rc::gen::inRange<std::int64_t>(0, 253'402'300'800'000'000);
        RC_ASSERT((format_utc(instant_of(a)) < format_utc(instant_of(b))) == (a < b));
    });
    rc::prop("any text is read or refused without harm", [] {
        const auto text = *rc::gen::container<std::string>(
            rc::gen::element('0', '1', '2', '9', '-', ':', 'T', 'Z', '.', '+'));
        static_cast<void>(parse_rfc3339(text));
        static_cast<void>(parse_duration(text));
        static_cast<void>(parse_iso_duration(text));
    });
    CHECK(format_utc(instant_of(0)) == "1970-01-01T00:00:00.000000Z");
    CHECK(format_utc(instant_of(-1)) == "1969-12-31T23:59:59.999999Z");
    // Beyond what RFC 3339 can write: 253402300800 s is the year 10000 (date -d @253402300800, GNU
    // coreutils).
    CHECK(format_utc(Instant{std::chrono::seconds{253'402'300'800 + 3600 + 61}}) ==
          "10000-01-01T01:01:01.000000Z");
    CHECK(format_utc(instant_of(482'196'050'520'000)) == "1985-04-12T23:20:50.520000Z");
    // No time that is believed is that far away, but it must not cause harm either.
    CHECK_FALSE(format_utc(instant_of(253'402'300'800'000'000)).empty());
}

TEST_CASE("durations are read with a unit and nothing more") {
    using namespace std::chrono_literals;
    const auto read = [](std::string_view text) {
        const Result<Duration> duration = parse_duration(text);
        INFO(text);
        REQUIRE(duration);
        return *duration;
    };
    CHECK(read("0") == 0s);
    CHECK(read("0s") == 0s);
    CHECK(read("90s") == 90s);
    CHECK(read("15min") == 15min);
    CHECK(read("2h") == 2h);
    CHECK(read("400d") == 9600h);
    CHECK(read("250ms") == 250ms);
    CHECK(read("7us") == 7us);
    for (const std::string_view text :
         {"", "15", "-5s", "-0s", "+5s", "1.5h", "5 min", "5m", "5sec", "min", "s5", "5ss",
          "99999999999999999999s", "9223372036854775807s", "1e3s", "P2D"}) {
        INFO(text);
        const Result<Duration> duration = parse_duration(text);
        REQUIRE_FALSE(duration);
        CHECK(duration.error().text.find(text) != std::string::npos);
    }
}

TEST_CASE("ISO 8601 durations are read, except those without a fixed length") {
    // The grammar: RFC 3339 appendix A (from memory).
    using namespace std::chrono_literals;
    const auto read = [](std::string_view text) {
        const Result<Duration> duration = parse_iso_duration(text);
        INFO(text);
        REQUIRE(duration);
        return *duration;
    };
    CHECK(read("P2D") == 48h);
    CHECK(read("P1W") == 168h);
    CHECK(read("PT12H") == 12h);
    CHECK(read("PT90M") == 90min);
    CHECK(read("PT45S") == 45s);
    CHECK(read("P1DT6H30M5S") == 30h + 30min + 5s);
    CHECK(read("P0D") == 0s);
    for (const std::string_view text : {"",
                                        "P",
                                        "PT",
                                        "P1DT",
                                        "2d",
                                        "P2",
                                        "PD",
                                        "P-2D",
                                        "-P2D",
                                        "+P2D",
                                        "P1.5D",
                                        "PT1,5H",
                                        "P2D ",
                                        "p2d",
                                        "P1M",
                                        "P1Y",
                                        "P1Y2D",
                                        "P2H",
                                        "PT2D",
                                        "P2DP2D",
                                        "P2DD",
                                        "PT1M1H",
                                        "P1D1D",
                                        "P 2D",
                                        "PTT1H",
                                        "P2DT1HT1M",
                                        "P99999999999999999999D",
                                        "P106751992D",
                                        "PT9223372036854775807S"}) {
        INFO(text);
        const Result<Duration> duration = parse_iso_duration(text);
        REQUIRE_FALSE(duration);
        CHECK(duration.error().text.find("\"" + std::string(text) + "\"") != std::string::npos);
    }
}

TEST_CASE("durations are written in the largest unit that divides them, and read back") {
    using namespace std::chrono_literals;
    CHECK(format_duration(0s) == "0s");
    CHECK(format_duration(1s) == "1s");
    CHECK(format_duration(90s) == "90s");
    CHECK(format_duration(900s) == "15min");
    CHECK(format_duration(24h) == "1d");
    CHECK(format_duration(1500us) == "1500us");
    // Half of the range, because the whole range in hours does not fit into a duration.
    rc::prop("any length", [](std::uint32_t drawn) {
        const std::int64_t number = drawn / 2;
        const auto unit_us = *rc::gen::element<std::int64_t>(1, 1'000, 1'000'000, 60'000'000, 3'600'000'000);
        const Duration duration{unit_us * number};
        const Result<Duration> back = parse_duration(format_duration(duration));
        RC_ASSERT(back.has_value());
        RC_ASSERT(*back == duration);
    });
}
