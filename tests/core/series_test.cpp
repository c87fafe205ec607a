#include "tickledger/series.hpp"

#include <rapidcheck/catch.h>

#include <algorithm>
#include <boost/multiprecision/cpp_int.hpp>
#include <catch2/catch.hpp>
#include <limits>
#include <numeric>

using namespace tickledger;
using namespace std::chrono_literals;

namespace {

using boost::multiprecision::cpp_int;

CivilZone zone(std::string_view name) {
    Result<CivilZone> found = CivilZone::find(name);
    REQUIRE(found);
    return *found;
}

Instant utc(std::string_view text) {
    const Result<Instant> instant = parse_rfc3339(text);
    INFO(text);
    REQUIRE(instant);
    return *instant;
}

RowFinder rows_of(std::string_view zone_name, Duration interval) {
    return {zone(zone_name), interval};
}

std::vector<Share> shares_of(const Entry& entry, RowFinder& rows) {
    std::vector<Share> shares(3);  // The old contents must not matter.
    apportion(entry, rows, shares);
    return shares;
}

std::vector<std::int64_t> ticks_of(const std::vector<Share>& shares) {
    std::vector<std::int64_t> ticks;
    for (const Share& share : shares)
        ticks.push_back(share.ticks);
    return ticks;
}

Entry measured(Span span, std::int64_t ticks) {
    Entry entry;
    entry.span = span;
    entry.ticks = ticks;
    return entry;
}

std::int64_t sum_of_ticks(const std::vector<Share>& shares) {
    return std::accumulate(shares.begin(), shares.end(), std::int64_t{0},
                           [](std::int64_t sum, const Share& share) { return sum + share.ticks; });
}

Duration sum_of_covered(const std::vector<Share>& shares) {
    return std::accumulate(shares.begin(), shares.end(), Duration{0},
                           [](Duration sum, const Share& share) { return sum + share.covered; });
}

struct Case {
    Entry entry;
    RowFinder rows;
};

Case any_case() {
    const auto zone_name = *rc::gen::element<std::string>(
        "Europe/Berlin", "Australia/Lord_Howe", "America/St_Johns", "Pacific/Apia", "America/Havana",
        "Asia/Beirut", "Africa/Casablanca", "Etc/UTC");
    const auto interval = *rc::gen::element<Duration>(1min, 15min, 1h, 24h);
    const auto unit = *rc::gen::element<Duration>(1us, 1s, 1min, 15min, 1h);
    // The years in which Samoa skipped a date and St. John's still went back at 00:01.
    const std::int64_t begin_us = 1'262'304'000'000'000;
    const std::int64_t end_us = 1'893'456'000'000'000;
    const Instant from = instant_of(*rc::gen::inRange(begin_us, end_us) / unit.count() * unit.count());
    const auto length =
        *rc::gen::oneOf(rc::gen::just<std::int64_t>(0), rc::gen::inRange<std::int64_t>(0, 100),
                        rc::gen::inRange<std::int64_t>(0, 3000));
    const auto ticks =
        *rc::gen::oneOf(rc::gen::inRange<std::int64_t>(0, 20), rc::gen::inRange<std::int64_t>(0, 100'000),
                        rc::gen::just(std::numeric_limits<std::int64_t>::max()),
                        rc::gen::inRange<std::int64_t>(0, std::numeric_limits<std::int64_t>::max()));
    Entry entry = measured({from, from + length * unit}, ticks);
    entry.kind =
        *rc::gen::element(EntryKind::measured, EntryKind::restart, EntryKind::adjustment, EntryKind::reverse);
    const bool negative = entry.kind == EntryKind::reverse ||
                          (entry.kind == EntryKind::adjustment && *rc::gen::arbitrary<bool>());
    if (negative) entry.ticks = -entry.ticks - *rc::gen::inRange(0, 2);
    return {entry, {zone(zone_name), interval}};
}

/// The oracle: largest remainder with whole numbers of any length and a stable sort.
std::vector<std::int64_t> by_largest_remainder(const Entry& entry, const std::vector<Span>& rows) {
    const cpp_int whole = entry.span.length().count();
    const cpp_int ticks = abs(cpp_int{entry.ticks});
    std::vector<cpp_int> given;
    std::vector<std::pair<cpp_int, std::size_t>> remainders;
    cpp_int left = ticks;
    for (const Span& row : rows) {
        const cpp_int part = ticks * overlap(entry.span, row).length().count();
        given.push_back(part / whole);
        remainders.emplace_back(part % whole, remainders.size());
        left -= given.back();
    }
    std::stable_sort(remainders.begin(), remainders.end(),
                     [](const auto& a, const auto& b) { return a.first > b.first; });
    for (std::size_t i = 0; i < left.convert_to<std::size_t>(); ++i)
        ++given[remainders[i].second];
    std::vector<std::int64_t> result;
    for (const cpp_int& value : given) {
        result.push_back((entry.ticks < 0 ? cpp_int{-value} : value).convert_to<std::int64_t>());
    }
    return result;
}

}  // namespace

TEST_CASE("an entry's shares add up, are within their rows and are in order") {
    rc::prop("for any span, ticks, zone and interval", [] {
        auto [entry, rows] = any_case();
        const std::vector<Share> shares = shares_of(entry, rows);
        const CivilZone civil = rows.zone();
        const bool has_length = entry.span.from < entry.span.to;
        const bool says_nothing = entry.ticks == 0 && !(entry.covers() && has_length);
        RC_ASSERT(shares.empty() == says_nothing);
        RC_ASSERT(sum_of_ticks(shares) == entry.ticks);
        RC_ASSERT(sum_of_covered(shares) == (entry.covers() ? entry.span.length() : Duration{0}));
        if (says_nothing) return;

        std::vector<Span> its_rows;
        for (const Share& share : shares) {
            RC_ASSERT(share.row == civil.row_at(Step::interval, rows.interval(), share.row.from));
            RC_ASSERT((its_rows.empty() || share.row.from == its_rows.back().to));
            RC_ASSERT(share.covered ==
                      (entry.covers() && has_length ? overlap(entry.span, share.row).length() : Duration{0}));
            const bool is_spread = entry.span.length() > share.row.length();
            RC_ASSERT(share.spread_ticks == (is_spread ? share.ticks : 0));
            its_rows.push_back(share.row);
        }
        if (has_length) {
            RC_ASSERT(its_rows.front().from <= entry.span.from);
            RC_ASSERT(entry.span.from < its_rows.front().to);
            RC_ASSERT(ticks_of(shares) == by_largest_remainder(entry, its_rows));
        } else {
            RC_ASSERT(shares.size() == 1U);
        }
        RC_ASSERT(its_rows.back().from < entry.span.to);
        RC_ASSERT(entry.span.to <= its_rows.back().to);
    });
}

TEST_CASE("coarser rows are the sums of intervals") {
    rc::prop("for any entry and step", [] {
        auto [entry, rows] = any_case();
        RC_PRE(rows.interval() <= 1h);
        const Step step = *rc::gen::element(Step::interval, Step::hour, Step::day, Step::month, Step::year);
        const std::vector<Share> shares = shares_of(entry, rows);
        std::vector<Share> coarser(2);
        roll_up(entry, shares, step, rows, coarser);
        RC_ASSERT(sum_of_ticks(coarser) == entry.ticks);
        RC_ASSERT(sum_of_covered(coarser) == sum_of_covered(shares));
        for (std::size_t i = 0; i < coarser.size(); ++i) {
            const Share& sum = coarser[i];
            RC_ASSERT((i == 0 || sum.row.from == coarser[i - 1].row.to));
            RC_ASSERT(sum.row == rows.zone().row_at(step, rows.interval(), sum.row.from));
            std::int64_t ticks = 0;
            for (const Share& share : shares) {
                if (sum.row.from <= share.row.from && share.row.to <= sum.row.to) ticks += share.ticks;
            }
            RC_ASSERT(sum.ticks == ticks);
            RC_ASSERT(sum.spread_ticks == (entry.span.length() > sum.row.length() ? ticks : 0));
        }
    });
}

TEST_CASE("ticks go by largest remainder, ties to the earlier interval") {
    RowFinder rows = rows_of("Etc/UTC", 15min);
    const Instant noon = utc("2026-03-01T12:00:00Z");
    // Computed by hand: halves of an odd number tie.
    CHECK(ticks_of(shares_of(measured({noon - 1min, noon + 1min}, 3), rows)) ==
          std::vector<std::int64_t>{2, 1});
    CHECK(ticks_of(shares_of(measured({noon, noon + 1h}, 5), rows)) == std::vector<std::int64_t>{2, 1, 1, 1});
    CHECK(ticks_of(shares_of(measured({noon, noon + 1h}, 3), rows)) == std::vector<std::int64_t>{1, 1, 1, 0});
    // 10 ticks over 1 : 15 : 14 minutes are 0.33, 5, 4.67.
    CHECK(ticks_of(shares_of(measured({noon - 1min, noon + 29min}, 10), rows)) ==
          std::vector<std::int64_t>{0, 5, 5});
    // An adjustment downwards mirrors one upwards.
    Entry adjustment = measured({noon, noon + 1h}, -5);
    adjustment.kind = EntryKind::adjustment;
    const std::vector<Share> shares = shares_of(adjustment, rows);
    CHECK(ticks_of(shares) == std::vector<std::int64_t>{-2, -1, -1, -1});
    CHECK(sum_of_covered(shares) == 0s);
    CHECK(shares.front().spread_ticks == -2);
}

TEST_CASE("ticks are spread only in rows shorter than their span") {
    RowFinder rows = rows_of("Etc/UTC", 15min);
    const Instant noon = utc("2026-03-01T12:00:00Z");
    const auto spread_of = [&](Span span, Step step) {
        std::vector<Share> sums;
        roll_up(measured(span, 6), shares_of(measured(span, 6), rows), step, rows, sums);
        std::vector<std::int64_t> spread;
        for (const Share& sum : sums)
            spread.push_back(sum.spread_ticks);
        return spread;
    };
    const Span quarter{noon - 5min, noon + 10min};
    CHECK(shares_of(measured(quarter, 6), rows)[1].spread_ticks == 0);
    CHECK(shares_of(measured({quarter.from, quarter.to + 1us}, 6), rows)[1].spread_ticks == 4);
    const Span hour{noon - 20min, noon + 40min};
    CHECK(spread_of(hour, Step::hour) == std::vector<std::int64_t>{0, 0});
    // The quarters have 0.5, 1.5, 1.5, 1.5 and 1 of the six ticks. The two left over go to the first two.
    CHECK(spread_of({hour.from, hour.to + 1us}, Step::hour) == std::vector<std::int64_t>{3, 3});
    CHECK(spread_of({hour.from, hour.to + 1us}, Step::day) == std::vector<std::int64_t>{0});
}

TEST_CASE("a span within one interval stays there") {
    RowFinder rows = rows_of("Etc/UTC", 15min);
    const Instant noon = utc("2026-03-01T12:00:00Z");
    for (const Span span : {Span{noon, noon + 15min}, Span{noon, noon + 1us},
                            Span{noon + 15min - 1us, noon + 15min}, Span{noon + 3min, noon + 6min}}) {
        const std::vector<Share> shares = shares_of(measured(span, 7), rows);
        REQUIRE(shares.size() == 1);
        CHECK(shares[0].row == Span{noon, noon + 15min});
        CHECK(shares[0].ticks == 7);
        CHECK(shares[0].covered == span.length());
        CHECK(shares[0].spread_ticks == 0);
    }
}

TEST_CASE("a span of no length falls into the interval that holds or ends at its instant") {
    RowFinder rows = rows_of("Etc/UTC", 15min);
    const Instant noon = utc("2026-03-01T12:00:00Z");
    const auto row_of = [&](Instant t) {
        const std::vector<Share> shares = shares_of(measured({t, t}, 2), rows);
        REQUIRE(shares.size() == 1);
        CHECK(shares[0].ticks == 2);
        CHECK(shares[0].covered == 0s);
        return shares[0].row;
    };
    CHECK(row_of(noon) == Span{noon - 15min, noon});
    CHECK(row_of(noon + 1us) == Span{noon, noon + 15min});
    CHECK(row_of(noon - 1us) == Span{noon - 15min, noon});
    CHECK(row_of(utc("2026-03-02T00:00:00Z")).to == utc("2026-03-02T00:00:00Z"));
    CHECK(shares_of(measured({noon, noon}, 0), rows).empty());
}

TEST_CASE("an entry that covers nothing and has no ticks has no shares, but a still span has") {
    RowFinder rows = rows_of("Etc/UTC", 15min);
    const Instant noon = utc("2026-03-01T12:00:00Z");
    Entry entry = measured({noon, noon + 1h}, 0);
    const std::vector<Share> still = shares_of(entry, rows);
    REQUIRE(still.size() == 4);
    CHECK(sum_of_covered(still) == 1h);
    CHECK(still[2].spread_ticks == 0);
    entry.kind = EntryKind::preset;
    CHECK(shares_of(entry, rows).empty());
    entry.kind = EntryKind::lost;
    entry.ticks = 5;  // Ignored for this kind.
    CHECK(shares_of(entry, rows).empty());
    entry.kind = EntryKind::held;
    CHECK(shares_of(entry, rows).empty());
}

TEST_CASE("a span of thirty days over a change of the clocks") {
    RowFinder rows = rows_of("Europe/Berlin", 15min);
    const CivilZone berlin = rows.zone();
    const Instant from = berlin.start_of(date::year{2025} / 3 / 15);
    const Instant to = berlin.start_of(date::year{2025} / 4 / 14);
    const std::vector<Share> shares = shares_of(measured({from, to}, 10'000), rows);
    // 30 days of 96 quarters, less the hour that 2025-03-30 lacks (IANA zone data via zdump).
    REQUIRE(shares.size() == 30 * 96 - 4);
    CHECK(sum_of_ticks(shares) == 10'000);
    std::vector<Share> days;
    roll_up(measured({from, to}, 10'000), shares, Step::day, rows, days);
    REQUIRE(days.size() == 30);
    CHECK(sum_of_ticks(days) == 10'000);
    CHECK(days[15].row.length() == 23h);
    CHECK(days[15].covered == 23h);
    CHECK(days[15].spread_ticks == days[15].ticks);
    std::vector<Share> years;
    roll_up(measured({from, to}, 10'000), shares, Step::year, rows, years);
    REQUIRE(years.size() == 1);
    CHECK(years[0].ticks == 10'000);
    CHECK(years[0].spread_ticks == 0);
}

TEST_CASE("ten years of entries add up to the last tick") {
    RowFinder rows = rows_of("Europe/Berlin", 15min);
    const Instant begin = utc("2016-12-31T23:00:00Z");
    const Instant end = utc("2026-12-31T23:00:00Z");
    std::vector<Share> shares;
    std::vector<Share> days;
    std::int64_t booked = 0;
    std::int64_t in_intervals = 0;
    std::int64_t in_days = 0;
    Duration covered{0};
    std::int64_t count = 0;
    for (Instant t = begin; t < end;) {
        // Uneven spans, now and then longer than an interval, with 0 to 36 ticks.
        const Instant to = std::min(end, t + 7min + (++count % 11) * 97s);
        const Entry entry = measured({t, to}, count * count % 37);
        apportion(entry, rows, shares);
        roll_up(entry, shares, Step::day, rows, days);
        booked += entry.ticks;
        in_intervals += sum_of_ticks(shares);
        in_days += sum_of_ticks(days);
        covered += sum_of_covered(days);
        t = to;
    }
    CHECK(count > 300'000);
    CHECK(in_intervals == booked);
    CHECK(in_days == booked);
    CHECK(covered == end - begin);
}
