// Water that ran before the first reading: imported exactly, kept out of the register, undone again.
#include <rapidcheck.h>
#include <rapidcheck/catch.h>

#include <array>
#include <map>
#include <tuple>

#include "book/instruction_documents.hpp"
#include "book/valuation.hpp"
#include "ledger_world.hpp"

using namespace tickledger;
using namespace tickledger::test;

namespace {

constexpr std::array coarse_steps{Step::hour, Step::day, Step::month, Step::year};
/// How many days back the rows are checked: far enough for every zone's change to winter time.
constexpr int days_looked_at = 170;

struct HistoryWorld : LedgerWorld {
    explicit HistoryWorld(std::vector<MeterSettings> with_meters = {house()},
                          const std::string& zone_name = "Europe/Lisbon")
        : LedgerWorld(std::move(with_meters), zone_name) {}

    void begin() {
        hear_count(at_min(600), 1000);
        hear_count(at_min(660), 1100);
    }
    void tell(const std::string& order) { take({{Instruction{at_min(700), order}}}); }
    void import(const std::string& name, const std::vector<HistoryPoint>& points) {
        tell(instruction_to_import("house", name, points));
    }
    void undo(const std::string& name) { tell(instruction_to_undo("house", name)); }

    std::vector<HistoryEntry> told() {
        return must(ledger->history(key("house"), {Instant::min(), Instant::max()}));
    }
    std::int64_t ticks_told() {
        std::int64_t sum = 0;
        for (const HistoryEntry& entry : told())
            sum += entry.ticks;
        return sum;
    }
    AccountMemory memory() { return must(memory_from_record(must(ledger->meters()).at(0).state)); }
    std::int64_t ticks_of_rows(Step step) {
        RowFinder finder(zone, meters[0].interval);
        std::int64_t sum = 0;
        Span next = finder.row_at(step, day_before(days_looked_at));
        while (next.from < at_min(3 * 24 * 60)) {
            if (const auto stored = row(step, next.from)) sum += stored->ticks;
            next = finder.row_at(step, next.to);
        }
        return sum;
    }
    /// Everything that a reader can see of the rows, except intervals and revisions.
    std::vector<std::tuple<Step, Instant, std::int64_t, Duration, std::int64_t>> rows_before(Instant end) {
        std::vector<std::tuple<Step, Instant, std::int64_t, Duration, std::int64_t>> found;
        for (const Step step : coarse_steps) {
            RowFinder finder(zone, meters[0].interval);
            Span next = finder.row_at(step, day_before(days_looked_at));
            while (next.from < end) {
                if (const auto stored = row(step, next.from))
                    found.emplace_back(step, next.from, stored->ticks, stored->covered, stored->spread_ticks);
                next = finder.row_at(step, next.to);
            }
        }
        return found;
    }

    /// The civil midnight `days` days before that of 2026-03-01.
    Instant day_before(int days) {
        return zone.start_of(date::sys_days{date::year{2026} / 3 / 1} - date::days{days});
    }
};

}  // namespace

TEST_CASE("points of an import that no ledger could hold are refused") {
    const auto points = [](const std::string& at_us, const std::string& ticks) {
        return points_in(nlohmann::json::parse("{\"points\":[[0,0],[" + at_us + "," + ticks + "]]}")).size();
    };
    CHECK(points("1", "1000000000000000") == 2);
    CHECK(points("1", "1000000000000001") == 0);
    CHECK(points("253402300799999999", "1") == 2);
    CHECK(points("253402300800000000", "1") == 0);
    CHECK(points("-9223372036854775807", "1") == 0);
}

TEST_CASE("history fills hours, days, months and years, and the register does not move") {
    HistoryWorld world;
    world.begin();
    const std::int64_t total = world.memory().total_ticks;
    const auto now_before = world.published("meters/house/now").back();
    world.import(
        "bills",
        {{world.day_before(3), 40'000}, {world.day_before(2), 40'240}, {world.day_before(1), 40'245}});
    CHECK(world.ticks_told() == 245);
    CHECK(world.row(Step::day, world.day_before(3))->ticks == 240);
    CHECK(world.row(Step::day, world.day_before(2))->ticks == 5);
    CHECK(world.row(Step::day, world.day_before(2))->covered == std::chrono::hours{24});
    // 240 ticks over 96 quarters of an hour: 3 in each quarter of the first half, 2 in each of the second.
    CHECK(world.row(Step::hour, world.day_before(3))->ticks == 12);
    CHECK(world.row(Step::hour, world.day_before(3))->spread_ticks == 12);
    CHECK_FALSE(world.row(Step::interval, world.day_before(3)));
    CHECK_FALSE(world.row(Step::day, world.day_before(1)));
    for (const Step step : coarse_steps)
        CHECK(world.ticks_of_rows(step) == total + 245);

    CHECK(world.memory().total_ticks == total);
    world.hear_count(at_min(720), 1130);
    CHECK(world.published("meters/house/now").back().at("register_m3").get<double>() ==
          Approx(now_before.at("register_m3").get<double>() + 0.030));

    SECTION("imported again it books nothing twice, and undone it leaves nothing") {
        const auto rows = world.rows_before(at_min(0));
        world.import(
            "bills",
            {{world.day_before(3), 40'000}, {world.day_before(2), 40'240}, {world.day_before(1), 40'245}});
        CHECK(world.rows_before(at_min(0)) == rows);
        world.undo("other");
        CHECK(world.rows_before(at_min(0)) == rows);
        world.undo("bills");
        CHECK(world.told().empty());
        CHECK_FALSE(world.row(Step::day, world.day_before(3)));
        CHECK_FALSE(world.row(Step::hour, world.day_before(3)));
        for (const Step step : coarse_steps)
            CHECK(world.ticks_of_rows(step) == world.memory().total_ticks);
        world.import("bills", {{world.day_before(3), 0}, {world.day_before(2), 7}});
        CHECK(world.ticks_told() == 7);
    }
    SECTION("an import that overlaps another is refused as a whole") {
        world.import("other", {{world.day_before(5), 0}, {world.day_before(4), 3}, {world.day_before(2), 9}});
        CHECK(world.ticks_told() == 245);
        world.import("other", {{world.day_before(5), 0}, {world.day_before(4), 3}, {world.day_before(3), 9}});
        CHECK(world.ticks_told() == 254);
        world.undo("bills");
        CHECK(world.ticks_told() == 9);
        CHECK(world.row(Step::day, world.day_before(5))->ticks == 3);
    }
    SECTION(
        "the register's own ticks are valued without those of history after a change of the pulse value") {
        // The register's parts are summed from rows, which must not include those of history.
        world.tell(instruction_to_set("house", world.day_before(-1), {2, 1}));
        world.hear_count(at_min(24 * 60 + 600), 1140);
        // 130 ticks of one litre. The 10 ticks over midnight are divided by time: the day's rows show how
        // many of them are worth two.
        const auto memory = world.memory();
        const PulseValues values = pulse_values(world.meters[0], memory.meter_register, world.zone);
        std::int64_t ticks = 0;
        for (const ValuedTicks& part :
             must(valued_total(memory.total_ticks, memory.meter_register, values, world.zone,
                               [&](Step step, Instant start) -> Result<std::int64_t> {
                                   const auto stored = world.row(step, start);
                                   return stored ? stored->ticks : 0;
                               }))) {
            ticks += part.ticks;
            if (part.pulse_value_l == Ratio{1, 1})
                CHECK(part.ticks == world.row(Step::day, world.day_before(0))->ticks);
        }
        CHECK(ticks == memory.total_ticks);
    }
}

TEST_CASE("history ends at the midnight that begins the first reading's day") {
    HistoryWorld world;
    world.import("early", {{world.day_before(3), 0}, {world.day_before(2), 5}});
    CHECK(world.told().empty());
    world.begin();
    world.import("bills",
                 {{world.day_before(2), 0}, {world.day_before(0), 5}, {at_min(300), 9}, {at_min(660), 10}});
    REQUIRE(world.told().size() == 1);
    CHECK(world.told()[0] == HistoryEntry{{world.day_before(2), world.day_before(0)}, 5, "bills"});
    CHECK(world.memory().total_ticks == 100);
}

TEST_CASE("history that runs back, is out of order or covers too long a time is refused as a whole") {
    HistoryWorld world;
    world.begin();
    world.import("a", {{world.day_before(9), 7}, {world.day_before(8), 6}});
    world.import("b", {{world.day_before(9), 7}, {world.day_before(9), 8}});
    world.import("c", {{world.day_before(9), 7}});
    world.import("", {{world.day_before(9), 7}, {world.day_before(8), 8}});
    world.import("d", {{world.day_before(800), 7}, {world.day_before(8), 8}});
    world.tell(R"({"do":"import-history","meter":"house","import":"e","points":[[1,2],["x",3]]})");
    CHECK(world.told().empty());
    CHECK(
        history_entries("a", std::vector<HistoryPoint>{{at_min(0), 7}, {at_min(1), 6}}, at_min(9), world.zone)
            .error()
            .text.find("runs back") != std::string::npos);
}

TEST_CASE("the name of an import is one line of plain text") {
    for (const char* right : {"bills", "2019 to 2024", "Zähler im Keller"})
        CHECK(judge_history_name(right));
    for (const char* wrong : {"", "two\nlines", "tab\there", "delete\x7F", "\x1B[31m"})
        CHECK_FALSE(judge_history_name(wrong));
    CHECK(judge_history_name(std::string(history_name_max_bytes, 'n')));
    CHECK_FALSE(judge_history_name(std::string(history_name_max_bytes + 1, 'n')));
}

TEST_CASE("whatever is imported and undone, entries and rows agree, and a kill changes nothing") {
    rc::prop("sums", [] {
        // Zones whose days have 23, 24 and 25 hours, and one that shifts by half an hour.
        HistoryWorld world({house()},
                           *rc::gen::element<std::string>("Europe/Lisbon", "UTC", "Australia/Lord_Howe"));
        world.begin();
        const Instant end = history_end(*world.memory().meter_register.first_at, world.zone);
        const auto rows_without = world.rows_before(at_min(0));
        std::map<std::string, std::int64_t> expected;
        // Each import has fifty days of its own. It is cut in two pieces, and the first one arrives twice.
        for (int i = 0; i < 3; ++i) {
            const std::string name(1, static_cast<char>('a' + i));
            const Instant begin = end - std::chrono::hours{24 * 50} * (i + 1);
            std::vector<HistoryPoint> points{{begin, *rc::gen::inRange<std::int64_t>(0, 100'000)}};
            const int count = *rc::gen::inRange(1, 12);
            for (int n = 0; n < count; ++n) {
                const auto& last = points.back();
                points.push_back({last.at + std::chrono::seconds{*rc::gen::inRange(1, 4 * 86'400)},
                                  last.ticks + *rc::gen::inRange(0, 5000)});
            }
            const auto cut = static_cast<std::ptrdiff_t>(*rc::gen::inRange<std::size_t>(1, points.size()));
            const std::vector<HistoryPoint> first(points.begin(), points.begin() + cut + 1);
            const std::vector<HistoryPoint> second(points.begin() + cut, points.end());
            world.import(name, first);
            if (*rc::gen::arbitrary<bool>()) world.open();
            world.import(name, second);
            world.import(name, first);
            expected[name] = points.back().ticks - points.front().ticks;
        }
        const std::int64_t own = world.memory().total_ticks;
        std::int64_t sum = 0;
        for (const auto& [name, ticks] : expected)
            sum += ticks;
        RC_ASSERT(world.ticks_told() == sum);
        for (const Step step : coarse_steps)
            RC_ASSERT(world.ticks_of_rows(step) == own + sum);
        // Hours are checked only when everything is imported and when everything is undone, because there are
        // many.
        for (const auto& [name, ticks] : expected) {
            world.undo(name);
            if (*rc::gen::arbitrary<bool>()) world.open();
            sum -= ticks;
            RC_ASSERT(world.ticks_told() == sum);
            for (const Step step : {Step::day, Step::month, Step::year})
                RC_ASSERT(world.ticks_of_rows(step) == own + sum);
        }
        RC_ASSERT(own == world.memory().total_ticks);
        RC_ASSERT(world.rows_before(at_min(0)) == rows_without);
    });
}

TEST_CASE(
    "history ends before the first reading's day, and a reading at midnight belongs to the day that ends") {
    const CivilZone vienna = CivilZone::find("Europe/Vienna").value();
    const Instant midnight = parse_rfc3339("2026-03-01T23:00:00Z").value();
    const Instant day_before = parse_rfc3339("2026-02-28T23:00:00Z").value();
    CHECK(history_end(midnight + std::chrono::hours{1}, vienna) == midnight);
    CHECK(history_end(midnight, vienna) == day_before);
}
