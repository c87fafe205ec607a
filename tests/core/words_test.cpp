#include "tickledger/words.hpp"

#include <catch2/catch.hpp>

using namespace tickledger;
using namespace std::chrono_literals;

namespace {

Instant at(std::string_view text) {
    return parse_rfc3339(text).value();
}

}  // namespace

TEST_CASE("a sentence gives the site's time to the minute, with the offset if that time occurs twice") {
    const CivilZone vienna = CivilZone::find("Europe/Vienna").value();
    CHECK(in_words(at("2026-11-24T06:39:00.150Z"), vienna) == "2026-11-24 07:39");
    CHECK(in_words(at("2026-11-24T06:39:59.999999Z"), vienna) == "2026-11-24 07:39");
    // Summer time ended on 2026-10-25 at 03:00 CEST (the tz database, Europe/Vienna).
    CHECK(in_words(at("2026-10-25T00:30:00Z"), vienna) == "2026-10-25 02:30+02:00");
    CHECK(in_words(at("2026-10-25T01:30:00Z"), vienna) == "2026-10-25 02:30+01:00");
    CHECK(in_words(at("2026-10-24T23:59:00Z"), vienna) == "2026-10-25 01:59");
    CHECK(in_words(at("2026-10-25T02:00:00Z"), vienna) == "2026-10-25 03:00");
    // Lord Howe repeats half an hour, on 2026-04-05 at 02:00.
    const CivilZone lord_howe = CivilZone::find("Australia/Lord_Howe").value();
    CHECK(in_words(at("2026-04-04T14:45:00Z"), lord_howe) == "2026-04-05 01:45+11:00");
    CHECK(in_words(at("2026-04-04T15:15:00Z"), lord_howe) == "2026-04-05 01:45+10:30");
    CHECK(in_words(at("2026-04-04T14:15:00Z"), lord_howe) == "2026-04-05 01:15");
}

TEST_CASE("a span within a day names the day once") {
    const CivilZone vienna = CivilZone::find("Europe/Vienna").value();
    const auto words = [&](const char* from, const char* to) { return in_words({at(from), at(to)}, vienna); };
    CHECK(words("2026-11-29T00:00:00Z", "2026-11-29T04:00:00Z") == "between 2026-11-29 01:00 and 05:00");
    CHECK(words("2026-11-29T21:00:00Z", "2026-11-30T04:00:00Z") ==
          "between 2026-11-29 22:00 and 2026-11-30 05:00");
    CHECK(words("2026-11-29T04:00:10Z", "2026-11-29T04:00:50Z") == "at 2026-11-29 05:00");
}

TEST_CASE("lengths of time are written in words") {
    CHECK(in_words(Duration{30min}) == "30 minutes");
    CHECK(in_words(Duration{1min}) == "1 minute");
    CHECK(in_words(Duration{90min}) == "1 hour 30 minutes");
    CHECK(in_words(Duration{1h}) == "1 hour");
    CHECK(in_words(Duration{47h}) == "47 hours");
    CHECK(in_words(Duration{72h}) == "3 days");
    CHECK(in_words(Duration{76h + 10min}) == "3 days 4 hours");
    CHECK(in_words(Duration{45s + 900ms}) == "45 seconds");
    CHECK(in_words(Duration{90s}) == "1 minute 30 seconds");
    CHECK(in_words(Duration{1ms}) == "less than a second");
}

TEST_CASE("a length changes to the next unit when that unit is complete") {
    CHECK(in_words(59s) == "59 seconds");
    CHECK(in_words(60s) == "1 minute");
    CHECK(in_words(59min + 59s) == "59 minutes 59 seconds");
    CHECK(in_words(1h) == "1 hour");
    // A day is given in hours, two days in days.
    CHECK(in_words(47h + 59min) == "47 hours 59 minutes");
    CHECK(in_words(48h) == "2 days");
    CHECK(in_words(Duration{1}) == "less than a second");
}
