// What the answer to a reading of the register says.
#include "serve/register_words.hpp"

#include <catch2/catch.hpp>

#include "serve/api_fixture.hpp"

namespace tickledger {

using test::at;
using test::sure;

namespace {

/// A reading at 08:05 in Berlin that found three ticks too few since 07:00.
RegisterReading three_too_few() {
    RegisterReading reading;
    reading.at = at("2026-12-01T07:05:00Z");
    reading.adjusted_from = at("2026-12-01T06:00:00Z");
    reading.register_ul = 7'003'000'000;
    reading.adjustment_ticks = 3;
    return reading;
}

std::string said_of(const RegisterReading& reading, const char* heard_until) {
    MeterSettings settings;
    settings.id = "house";
    const auto zone = sure(CivilZone::find("Europe/Berlin"));
    return words_for(reading, "3.000", {}, at(heard_until), settings, zone);
}

}  // namespace

TEST_CASE("water that no message had reported yet was said to be missed by the sensor") {
    CHECK(
        said_of(three_too_few(), "2026-12-01T07:04:22Z") ==
        "3 ticks (3.000 L) were not counted between 2026-12-01 07:00 and 08:05. The last message is of 2026-12-01 "
        "08:04, and this water may have run since. The next one shows it, and the adjustment follows.");
    // If messages reach beyond the reading, or the water cannot have run since, the sensor missed it.
    CHECK(said_of(three_too_few(), "2026-12-01T07:05:00Z").find("must have missed") != std::string::npos);
    RegisterReading many = three_too_few();
    many.adjustment_ticks = 3000;
    CHECK(said_of(many, "2026-12-01T07:04:22Z").find("must have missed") != std::string::npos);
}

TEST_CASE("a reading of the same day was said to be missed between that day and that day") {
    CHECK(said_of(three_too_few(), "2026-12-01T08:00:00Z").find("between 2026-12-01 07:00 and 08:05") !=
          std::string::npos);
    RegisterReading later = three_too_few();
    later.adjusted_from = at("2026-11-29T06:00:00Z");
    CHECK(said_of(later, "2026-12-01T08:00:00Z").find("between 2026-11-29 and 2026-12-01") !=
          std::string::npos);
}

}  // namespace tickledger
