#include "tickledger/civil.hpp"

#include <rapidcheck/catch.h>

#include <catch2/catch.hpp>

using namespace tickledger;
using namespace date::literals;
using namespace std::chrono_literals;

namespace {

CivilZone zone(std::string_view name) {
    Result<CivilZone> found = CivilZone::find(name);
    INFO(name);
    REQUIRE(found);
    return *found;
}

Instant utc(std::string_view text) {
    const Result<Instant> instant = parse_rfc3339(text);
    INFO(text);
    REQUIRE(instant);
    return *instant;
}

Duration length_of(std::string_view zone_name, date::year_month_day day) {
    const CivilZone civil = zone(zone_name);
    return civil.row_at(Step::day, 15min, civil.start_of(day)).length();
}

const std::vector<std::string> varied_zones{
    "Europe/Lisbon",     "Europe/Berlin",     "America/New_York", "America/St_Johns", "America/Havana",
    "Asia/Beirut",       "Pacific/Apia",      "Asia/Kolkata",     "Asia/Kathmandu",   "Australia/Lord_Howe",
    "America/Sao_Paulo", "Africa/Casablanca", "Pacific/Chatham",  "Etc/UTC",          "Antarctica/Troll",
    "Asia/Gaza",         "America/Asuncion",
};

rc::Gen<Instant> instant_of_thirty_years() {
    const auto anywhere = rc::gen::inRange<std::int64_t>(946'684'800'000'000, 1'893'456'000'000'000);
    // Half of them are on a quarter of an hour, where boundaries are, or a microsecond before or after it.
    return rc::gen::apply(
        [](std::int64_t us, bool on_boundary, std::int64_t beside) {
            return instant_of(on_boundary ? us / 900'000'000 * 900'000'000 + beside : us);
        },
        anywhere, rc::gen::arbitrary<bool>(), rc::gen::inRange<std::int64_t>(-1, 2));
}

}  // namespace

TEST_CASE("days are as long as the zone's rules make them") {
    // Source: IANA zone data via zdump.
    CHECK(length_of("Europe/Berlin", 2025_y / 3 / 29) == 24h);
    CHECK(length_of("Europe/Berlin", 2025_y / 3 / 30) == 23h);
    CHECK(length_of("Europe/Berlin", 2025_y / 10 / 26) == 25h);
    CHECK(length_of("Australia/Lord_Howe", 2025_y / 4 / 6) == 24h + 30min);
    CHECK(length_of("Australia/Lord_Howe", 2025_y / 10 / 5) == 23h + 30min);
    CHECK(length_of("America/New_York", 2025_y / 3 / 9) == 23h);
    CHECK(length_of("America/New_York", 2025_y / 11 / 2) == 25h);
    // Morocco sets its clocks back for Ramadan and forward after it.
    CHECK(length_of("Africa/Casablanca", 2025_y / 2 / 23) == 25h);
    CHECK(length_of("Africa/Casablanca", 2025_y / 4 / 6) == 23h);
}

TEST_CASE("a day whose midnight is skipped begins at the jump") {
    // Source: IANA zone data via zdump. Beirut: 2022-03-27 00:00 became 01:00 at 2022-03-26T22:00Z.
    const CivilZone beirut = zone("Asia/Beirut");
    CHECK(beirut.start_of(2022_y / 3 / 27) == utc("2022-03-26T22:00:00Z"));
    CHECK(beirut.format(beirut.start_of(2022_y / 3 / 27)) == "2022-03-27T01:00:00+03:00");
    CHECK(beirut.date_of(utc("2022-03-26T21:59:59.999999Z")) == 2022_y / 3 / 26);
    CHECK(beirut.date_of(utc("2022-03-26T22:00:00Z")) == 2022_y / 3 / 27);
    CHECK(length_of("Asia/Beirut", 2022_y / 3 / 27) == 23h);
    // In autumn 24:00 becomes 23:00. Midnight comes once, an hour later, and the day before has 25 h.
    CHECK(beirut.start_of(2022_y / 10 / 30) == utc("2022-10-29T22:00:00Z"));
    CHECK(length_of("Asia/Beirut", 2022_y / 10 / 29) == 25h);
    CHECK(length_of("Asia/Beirut", 2022_y / 10 / 30) == 24h);
    CHECK(length_of("America/Havana", 2008_y / 3 / 16) == 23h);
    CHECK(zone("America/Havana").start_of(2008_y / 3 / 16) == utc("2008-03-16T05:00:00Z"));
}

TEST_CASE("if midnight happens twice, the first one begins the day") {
    // Source: IANA zone data via zdump. Havana: at 2008-10-26T05:00Z 01:00 became 00:00 again.
    const CivilZone havana = zone("America/Havana");
    CHECK(havana.start_of(2008_y / 10 / 26) == utc("2008-10-26T04:00:00Z"));
    CHECK(length_of("America/Havana", 2008_y / 10 / 26) == 25h);

    // St. John's: at 2006-10-29T02:31Z 00:01 became 23:01 of the day before. The new day began at 02:30Z and
    // goes on, although the clock shows the old date again for 59 minutes.
    const CivilZone st_johns = zone("America/St_Johns");
    CHECK(st_johns.start_of(2006_y / 10 / 29) == utc("2006-10-29T02:30:00Z"));
    CHECK(st_johns.date_of(utc("2006-10-29T02:29:59.999999Z")) == 2006_y / 10 / 28);
    CHECK(st_johns.date_of(utc("2006-10-29T02:30:00Z")) == 2006_y / 10 / 29);
    CHECK(st_johns.date_of(utc("2006-10-29T02:45:00Z")) == 2006_y / 10 / 29);
    CHECK(st_johns.format(utc("2006-10-29T02:45:00Z")) == "2006-10-28T23:15:00-03:30");
    CHECK(st_johns.date_of(utc("2006-10-29T03:30:00Z")) == 2006_y / 10 / 29);
    CHECK(length_of("America/St_Johns", 2006_y / 10 / 28) == 24h);
    CHECK(length_of("America/St_Johns", 2006_y / 10 / 29) == 25h);
}

TEST_CASE("a date that the zone skips has no day") {
    // Source: IANA zone data via zdump. Samoa went from 2011-12-29 24:00 (-10) to 2011-12-31 00:00 (+14).
    const CivilZone samoa = zone("Pacific/Apia");
    const Instant jump = utc("2011-12-30T10:00:00Z");
    CHECK(samoa.start_of(2011_y / 12 / 30) == jump);
    CHECK(samoa.start_of(2011_y / 12 / 31) == jump);
    CHECK(samoa.date_of(jump - 1us) == 2011_y / 12 / 29);
    CHECK(samoa.date_of(jump) == 2011_y / 12 / 31);
    CHECK(samoa.row_at(Step::day, 15min, jump - 1us) == Span{jump - 24h, jump});
    CHECK(samoa.row_at(Step::day, 15min, jump) == Span{jump, jump + 24h});
    CHECK(samoa.row_at(Step::month, 15min, jump).length() == 30 * 24h);
    CHECK(samoa.row_at(Step::year, 15min, jump).length() == 364 * 24h);
}

TEST_CASE("intervals and hours are counted from midnight, and the last of a day may be shorter") {
    const CivilZone lord_howe = zone("Australia/Lord_Howe");
    const Instant long_day = lord_howe.start_of(2025_y / 4 / 6);
    CHECK(lord_howe.row_at(Step::hour, 15min, long_day) == Span{long_day, long_day + 1h});
    CHECK(lord_howe.row_at(Step::hour, 15min, long_day + 24h + 1us) ==
          Span{long_day + 24h, long_day + 24h + 30min});
    CHECK(lord_howe.row_at(Step::interval, 2h, long_day + 24h) ==
          Span{long_day + 24h, long_day + 24h + 30min});
    // With a UTC offset of 5 h 30 min, hours begin on the site's own hours.
    const CivilZone kolkata = zone("Asia/Kolkata");
    CHECK(kolkata.row_at(Step::hour, 15min, utc("2026-03-01T07:10:00Z")) ==
          Span{utc("2026-03-01T06:30:00Z"), utc("2026-03-01T07:30:00Z")});
    const CivilZone berlin = zone("Europe/Berlin");
    const Span year = berlin.row_at(Step::year, 15min, utc("2026-07-01T00:00:00Z"));
    CHECK(year == Span{utc("2025-12-31T23:00:00Z"), utc("2026-12-31T23:00:00Z")});
    const Span march = berlin.row_at(Step::month, 15min, utc("2025-03-15T00:00:00Z"));
    CHECK(march.length() == 31 * 24h - 1h);
}

TEST_CASE("rows cover time without gaps or overlaps, and RowFinder finds the same rows") {
    rc::prop("in any order of instants", [] {
        const CivilZone civil = zone(*rc::gen::elementOf(varied_zones));
        const Duration interval = *rc::gen::element<Duration>(1min, 5min, 15min, 1h, 2h, 24h);
        const Step step = *rc::gen::element(Step::interval, Step::hour, Step::day, Step::month, Step::year);
        RowFinder finder{civil, interval};
        for (int i = 0; i < 20; ++i) {
            const Instant t = *instant_of_thirty_years();
            const Span row = civil.row_at(step, interval, t);
            RC_ASSERT(row.from <= t);
            RC_ASSERT(t < row.to);
            RC_ASSERT(finder.row_at(step, t) == row);
            RC_ASSERT(civil.row_at(step, interval, row.from) == row);
            RC_ASSERT(civil.row_at(step, interval, row.to - 1us) == row);
            RC_ASSERT(civil.row_at(step, interval, row.to).from == row.to);
            RC_ASSERT(civil.row_at(step, interval, row.from - 1us).to == row.from);
            RC_ASSERT(finder.row_ending_at_or_after(step, row.to) == row);
            RC_ASSERT(finder.row_ending_at_or_after(step, row.from + 1us) == row);
        }
    });
    rc::prop("the date of an instant is the date of its day", [] {
        const CivilZone civil = zone(*rc::gen::elementOf(varied_zones));
        const Instant t = *instant_of_thirty_years();
        const date::year_month_day day = civil.date_of(t);
        RC_ASSERT(civil.start_of(day) <= t);
        RC_ASSERT(t < civil.start_of(date::sys_days{day} + date::days{1}));
    });
}

TEST_CASE("a civil time of day is found on every date") {
    const CivilZone berlin = zone("Europe/Berlin");
    CHECK(berlin.at(2026_y / 3 / 1, 1h) == utc("2026-03-01T00:00:00Z"));
    CHECK(berlin.at(2026_y / 7 / 1, 5h) == utc("2026-07-01T03:00:00Z"));
    // 02:30 does not happen on 2025-03-30: the gap ends at 03:00. On 2025-10-26 it happens twice.
    CHECK(berlin.at(2025_y / 3 / 30, 2h + 30min) == utc("2025-03-30T01:00:00Z"));
    CHECK(berlin.at(2025_y / 10 / 26, 2h + 30min) == utc("2025-10-26T00:30:00Z"));
}

TEST_CASE("instants are written with the site's offset at that time") {
    const CivilZone berlin = zone("Europe/Berlin");
    CHECK(berlin.format(utc("2026-03-01T07:00:00Z")) == "2026-03-01T08:00:00+01:00");
    CHECK(berlin.format(utc("2026-07-01T22:30:00Z")) == "2026-07-02T00:30:00+02:00");
    CHECK(berlin.format(utc("2026-03-01T07:00:00.25Z")) == "2026-03-01T08:00:00.250000+01:00");
    CHECK(zone("Etc/UTC").format(utc("2026-03-01T07:00:00Z")) == "2026-03-01T07:00:00+00:00");
    CHECK(zone("America/St_Johns").format(utc("2026-03-01T07:00:00Z")) == "2026-03-01T03:30:00-03:30");
    CHECK(zone("Asia/Kathmandu").format(utc("2026-03-01T07:00:00Z")) == "2026-03-01T12:45:00+05:45");
    // RFC 3339 offsets have no seconds. Liberia's clocks were 44 min 30 s behind UTC until 1972 (zdump).
    CHECK(zone("Africa/Monrovia").format(utc("1971-06-01T00:00:00Z")) == "1971-06-01T00:00:00.000000Z");
    rc::prop("and read back", [] {
        const CivilZone civil = zone(*rc::gen::elementOf(varied_zones));
        const Instant t = *instant_of_thirty_years();
        const Result<Instant> back = civil.parse(civil.format(t));
        RC_ASSERT(back.has_value());
        RC_ASSERT(*back == t);
    });
}

TEST_CASE("a request names a moment by a civil date or a time") {
    const CivilZone berlin = zone("Europe/Berlin");
    CHECK(berlin.parse("2026-03-01").value() == utc("2026-02-28T23:00:00Z"));
    CHECK(berlin.parse("2026-03-01T08:00:00+01:00").value() == utc("2026-03-01T07:00:00Z"));
    CHECK(zone("Asia/Beirut").parse("2022-03-27").value() == utc("2022-03-26T22:00:00Z"));
    for (const std::string_view text :
         {"", "today", "2026-02-29", "2026-13-01", "2026-3-1", "2026/03/01", "2026-03-0x",
          "2026-03-01T08:00:00", "20260301xx", "2026-03--1", "----------"}) {
        INFO(text);
        const Result<Instant> instant = berlin.parse(text);
        REQUIRE_FALSE(instant);
        CHECK(instant.error().text.find(text) != std::string::npos);
    }
}

TEST_CASE("a zone that the system does not know is refused") {
    for (const std::string_view name :
         {"", "Europe/Atlantis", "/etc/passwd", "../../etc/passwd", "zone1970.tab"}) {
        INFO(name);
        const Result<CivilZone> found = CivilZone::find(name);
        REQUIRE_FALSE(found);
        CHECK(found.error().text.find(name) != std::string::npos);
        CHECK(found.error().text.find("IANA") != std::string::npos);
    }
    CHECK(zone("Europe/Lisbon").name() == "Europe/Lisbon");
}

TEST_CASE("a week begins on its Monday, also over the end of a year") {
    // Week dates given as examples in ISO 8601 (from memory): 2008-12-29 is 2009-W01-1, 2010-01-03 is
    // 2009-W53-7.
    using date::sys_days;
    using date::literals::operator""_y;
    CHECK(monday_of(sys_days{2008_y / 12 / 29}) == sys_days{2008_y / 12 / 29});
    CHECK(monday_of(sys_days{2009_y / 1 / 4}) == sys_days{2008_y / 12 / 29});
    CHECK(monday_of(sys_days{2010_y / 1 / 3}) == sys_days{2009_y / 12 / 28});
}

TEST_CASE("steps have the names that requests use") {
    for (const Step step : {Step::interval, Step::hour, Step::day, Step::month, Step::year}) {
        CHECK(step_named(name_of(step)) == step);
    }
    CHECK(name_of(Step::day) == "day");
    CHECK_FALSE(step_named("week"));
    CHECK_FALSE(step_named(""));
}
