// Readings of the register by eye: adjustments and how late facts change them, taking back, dated pulse
// values.
#include "book/instruction_documents.hpp"
#include "book/register_rules.hpp"
#include "book/valuation.hpp"
#include "ledger_world.hpp"

using namespace tickledger;
using namespace tickledger::test;

namespace {

constexpr std::int64_t litre_ul = 1'000'000;

struct RegisterWorld : LedgerWorld {
    using LedgerWorld::LedgerWorld;

    void tell(Instant now, const std::string& order) { take({{Instruction{now, order}}}); }
    void read(Instant at, std::int64_t litres, bool starts = false) {
        tell(at + std::chrono::seconds{1},
             instruction_to_read("house", {at, litres * litre_ul, litre_ul, starts}));
    }
    void take_back(Instant at) { tell(at + std::chrono::hours{1}, instruction_to_take_back("house", at)); }

    std::vector<RegisterReading> readings() { return must(ledger->register_readings(key("house"))); }
    std::vector<Entry> adjustments() {
        std::vector<Entry> found;
        for (const Entry& entry : entries()) {
            if (entry.kind == EntryKind::adjustment) found.push_back(entry);
        }
        return found;
    }
    AccountMemory memory() {
        for (const MeterRecord& record : must(ledger->meters())) {
            if (record.id == "house") return must(memory_from_record(record.state));
        }
        return {};
    }
    /// Law 1: the ticks of the entries, of the rows of every step and of the register are the same number.
    void check_sums() {
        std::int64_t sum = 0;
        for (const Entry& entry : entries())
            sum += entry.ticks;
        CHECK(memory().total_ticks == sum);
        for (const Step step : {Step::interval, Step::hour, Step::day, Step::month, Step::year}) {
            RowFinder finder(zone, meters[0].interval);
            std::int64_t ticks = 0;
            Span next = finder.row_at(step, at_min(-3 * 24 * 60));
            while (next.from < at_min(40 * 24 * 60)) {
                if (const auto stored = row(step, next.from)) ticks += stored->ticks;
                next = finder.row_at(step, next.to);
            }
            INFO("step " << name_of(step));
            CHECK(ticks == sum);
        }
    }
};

std::string pulses(int seq, int ticks) {
    return "{\"pulses\":" + std::to_string(ticks) + ",\"boot\":1,\"seq\":" + std::to_string(seq) + "}";
}

MeterSettings pulse_house() {
    MeterSettings meter = house();
    meter.message = MessageForm::pulses;
    return meter;
}

}  // namespace

TEST_CASE("a reading by eye becomes an adjustment over the time since the first booked reading") {
    RegisterWorld world;
    world.hear_count(at_min(600), 1000);
    world.hear_count(at_min(660), 1100);
    world.read(at_min(660), 112);
    REQUIRE(world.adjustments().size() == 1);
    CHECK(world.adjustments()[0].ticks == 12);
    CHECK(world.adjustments()[0].span == Span{at_min(600), at_min(660)});
    CHECK(world.published("meters/house/now").back()["register_m3"] == 0.112);
    CHECK(world.row(Step::hour, at_min(600))->ticks == 112);
    // It closed without data. The hour's ticks and then the adjustment are both late facts.
    CHECK(world.row(Step::interval, at_min(600))->revision == 2);
    world.check_sums();

    SECTION("the next one covers the time since this one and can be negative") {
        world.hear_count(at_min(720), 1200);
        world.read(at_min(720), 207);
        REQUIRE(world.adjustments().size() == 2);
        CHECK(world.adjustments()[1].ticks == -5);
        CHECK(world.adjustments()[1].span == Span{at_min(660), at_min(720)});
        world.check_sums();
    }
    SECTION("reported again it changes nothing, not even a revision") {
        world.read(at_min(660), 112);
        CHECK(world.adjustments().size() == 1);
        CHECK(world.row(Step::interval, at_min(600))->revision == 2);
    }
    SECTION("taken back it leaves no trace except the revisions") {
        world.take_back(at_min(660));
        CHECK(world.adjustments().empty());
        CHECK(world.readings().empty());
        CHECK(world.row(Step::hour, at_min(600))->ticks == 100);
        CHECK(world.row(Step::interval, at_min(600))->revision == 3);
        world.check_sums();
        world.take_back(at_min(660));
        CHECK(world.row(Step::interval, at_min(600))->revision == 3);
    }
    SECTION("it survives a kill, and another reading builds on it") {
        world.open();
        world.read(at_min(661), 112);
        CHECK(world.adjustments().size() == 1);
        CHECK(world.readings().size() == 2);
    }
}

TEST_CASE("an adjustment is the nearest whole tick, half to even") {
    MeterSettings meter = house();
    meter.pulse_value_l = {10, 1};
    RegisterWorld world({meter});
    world.hear_count(at_min(600), 0);
    world.hear_count(at_min(660), 10);
    world.read(at_min(660), 115);  // 1.5 ticks.
    CHECK(world.adjustments().at(0).ticks == 2);
    world.take_back(at_min(660));
    world.read(at_min(660), 114);
    CHECK(world.adjustments().at(0).ticks == 1);
    world.take_back(at_min(660));
    world.read(at_min(660), 105);  // Half a tick.
    CHECK(world.adjustments().empty());
}

TEST_CASE("a reading in between divides the adjustment after it, and taking it back joins them again") {
    RegisterWorld world;
    world.hear_count(at_min(600), 0);
    world.hear_count(at_min(660), 100);
    world.hear_count(at_min(720), 200);
    world.read(at_min(720), 220);
    world.read(at_min(660), 105);
    REQUIRE(world.adjustments().size() == 2);
    CHECK(world.adjustments()[0].ticks == 5);
    CHECK(world.adjustments()[1].ticks == 15);
    CHECK(world.adjustments()[1].span.from == at_min(660));
    world.check_sums();
    world.take_back(at_min(660));
    REQUIRE(world.adjustments().size() == 1);
    CHECK(world.adjustments()[0].ticks == 20);
    CHECK(world.adjustments()[0].span.from == at_min(600));
    world.check_sums();
}

TEST_CASE("a reading later than any message, taken back after a restart, leaves nothing in the rows") {
    RegisterWorld world;
    world.hear_count(at_min(600), 0);
    world.hear_count(at_min(660), 100);
    world.read(at_min(700), 118);
    REQUIRE(world.adjustments().at(0).ticks == 18);
    world.open();
    world.tell(at_min(701), instruction_to_take_back("house", at_min(700)));
    world.check_sums();
    world.hear_count(at_min(720), 115);
    world.check_sums();
}

TEST_CASE("ticks that a late message brings after an adjustment are not counted twice") {
    RegisterWorld world({pulse_house()});
    world.hear(at_min(600), pulses(1, 0));
    world.hear(at_min(603), pulses(2, 10));
    world.hear(at_min(609), pulses(4, 10));  // 3 is missing.
    world.read(at_min(609), 27);
    REQUIRE(world.adjustments().size() == 1);
    CHECK(world.adjustments()[0].ticks == 7);
    world.hear(at_min(612), pulses(3, 7));
    CHECK(world.adjustments().empty());
    CHECK(world.memory().total_ticks == 27);
    world.check_sums();
}

TEST_CASE("only the difference that the entry around the reading cannot explain is adjusted") {
    RegisterWorld world;
    world.hear_count(at_min(600), 0);
    world.hear_count(at_min(660), 100);
    // Read after the last message, while water runs: for now 3 ticks are missing.
    world.read(at_min(661), 103);
    CHECK(world.adjustments().at(0).ticks == 3);
    world.hear_count(at_min(663), 105);
    CHECK(world.adjustments().empty());
    CHECK(world.memory().total_ticks == 105);
    world.check_sums();
    SECTION("also for a reading reported later for a moment inside an entry") {
        world.hear_count(at_min(683), 125);
        world.read(at_min(673), 130);  // 105 before, 20 within.
        CHECK(world.adjustments().at(0).ticks == 5);
        world.check_sums();
    }
}

TEST_CASE("a first reading can set the start of the register, and nothing is adjusted") {
    RegisterWorld world;
    world.hear_count(at_min(600), 1000);
    world.hear_count(at_min(660), 1100);
    world.read(at_min(660), 1'234'567, true);
    CHECK(world.adjustments().empty());
    CHECK(world.published("meters/house/now").back()["register_m3"] == 1234.567);
    world.hear_count(at_min(720), 1200);
    world.read(at_min(720), 1'234'670);
    CHECK(world.adjustments().at(0).ticks == 3);
    CHECK(world.published("meters/house/now").back()["register_m3"] == 1234.670);
    // Later readings depend on it.
    world.take_back(at_min(660));
    CHECK(world.readings().size() == 2);
    world.take_back(at_min(720));
    world.take_back(at_min(660));
    CHECK(world.readings().empty());
    CHECK(world.published("meters/house/now").back()["register_m3"] == 0.2);
}

TEST_CASE("a first reading far beyond the counted volume is refused") {
    RegisterWorld world;
    world.hear_count(at_min(600), 1000);
    world.hear_count(at_min(660), 1100);
    // Beyond the 100 L counted, a cubic metre and ten times the counted volume may have been missed.
    world.read(at_min(660), 2101);
    CHECK(world.readings().empty());
    world.read(at_min(660), 2100);
    CHECK(world.readings().size() == 1);
}

TEST_CASE("a register that starts again at 0 is followed") {
    MeterSettings meter = house();
    meter.register_start_l = {9'999'950, 1};
    meter.register_range_l = {10'000'000, 1};
    RegisterWorld world({meter});
    world.hear_count(at_min(600), 0);
    world.hear_count(at_min(660), 100);
    CHECK(world.published("meters/house/now").back()["register_m3"] == 0.05);
    world.read(at_min(660), 52);
    CHECK(world.adjustments().at(0).ticks == 2);
    CHECK(world.readings().at(0).turns == 1);
    world.check_sums();
}

TEST_CASE("a reading that cannot be true changes nothing") {
    RegisterWorld world;
    world.hear_count(at_min(600), 0);
    world.hear_count(at_min(660), 100);
    world.read(at_min(660), 112);
    const auto before = world.entries();
    world.read(at_min(600), 5);                // Not after the first booked reading.
    world.read(at_min(540), 0);                // Before it.
    world.read(at_min(650), 120);              // More than the next one.
    world.read(at_min(661), 111);              // Backwards.
    world.read(at_min(661), 5000);             // More than can have run in a minute.
    world.read(at_min(660), 113);              // Another value for the same moment.
    world.read(at_min(661), 1'234'567, true);  // The start, after a reading.
    world.tell(at_min(662),
               instruction_to_read("house", {at_min(700), 112 * litre_ul, litre_ul, false}));  // Future.
    world.tell(at_min(662), R"({"do":"read-register","meter":"house","time":"yesterday","register_ul":1})");
    world.tell(at_min(662), R"({"do":"read-register","meter":"nobody"})");
    CHECK(world.entries() == before);
    CHECK(world.readings().size() == 1);
}

TEST_CASE("a repeated reading is recognised, and a different one for the same moment is refused") {
    const LedgerWorld world;
    const MeterSettings meter = house();
    const std::vector<RegisterReading> readings{{.at = at_min(660), .register_ul = 112 * litre_ul}};
    const RegisterBasis basis{.settings = meter,
                              .first_at = at_min(600),
                              .start_l = {0, 1},
                              .total_ticks = 100,
                              .readings = readings,
                              .fine_detail_from = {},
                              .zone = world.zone};
    const auto judged = [&](std::int64_t litres, bool starts) {
        return judge({at_min(660), litres * litre_ul, litre_ul, starts}, basis, at_min(661));
    };
    REQUIRE(judged(112, false));
    CHECK(judged(112, false)->is_known);
    for (const auto& refused : {judged(112, true), judged(113, false)}) {
        REQUIRE_FALSE(refused);
        CHECK(refused.error().text.find("Take it back first") != std::string::npos);
    }
}

TEST_CASE("a reading may be two minutes ahead of the server's clock, because clocks differ") {
    using std::chrono::minutes, std::chrono::seconds;
    RegisterWorld world;
    world.hear_count(at_min(600), 0);
    world.hear_count(at_min(660), 100);
    const auto reading_ahead_by = [&](Duration ahead) {
        const Instant now = at_min(661);
        world.tell(now, instruction_to_read("house", {now + ahead, 105 * litre_ul, litre_ul, false}));
        return world.readings().size();
    };
    CHECK(reading_ahead_by(minutes{2} + seconds{1}) == 0);
    CHECK(reading_ahead_by(minutes{2}) == 1);
}

TEST_CASE("a pulse value with a date does no harm before the first message") {
    const LedgerWorld world;
    MeterSettings meter = house();
    meter.pulse_value_changes = {{std::chrono::floor<std::chrono::days>(at_min(0)), {1, 2}}};
    const RegisterMemory nothing;
    const auto none = [](Step, Instant) -> Result<std::int64_t> { return 0; };
    const auto parts =
        must(valued_total(0, nothing, pulse_values(meter, nothing, world.zone), world.zone, none));
    REQUIRE(parts.size() == 1);
    CHECK(parts[0].ticks == 0);
}

TEST_CASE("a meter in the old one's place may turn ten times as fast") {
    // 10 L a tick, then 1 L. A shower of 8 L/min is 24 ticks in three minutes, and 19 of 10 L are the limit.
    MeterSettings meter = house();
    meter.pulse_value_l = {10, 1};
    meter.pulse_value_changes = {{std::chrono::floor<std::chrono::days>(at_min(0)), {1, 1}}};
    RegisterWorld world({meter});
    world.hear_count(at_min(-60), 1000);
    world.hear_count(at_min(600), 1000);
    for (int i = 1; i <= 5; ++i)
        world.hear_count(at_min(600 + 3 * i), static_cast<std::uint64_t>(1000 + 24 * i));
    world.hear_count(at_min(618), 1120);
    CHECK(ticks_in(world) == 120);
    CHECK(world.published("meters/house/now").back()["register_m3"] == 0.12);
}

TEST_CASE("a display still returns to 0 where it did before a calibration") {
    MeterSettings meter = house();
    meter.message = MessageForm::volume;
    meter.volume_unit_l = {1000, 1};
    meter.rolls_over_at_l = {100'000, 1};
    RegisterWorld world({meter});
    world.hear(at_min(0), R"({"volume":99.990})");
    world.tell(at_min(1), instruction_to_set("house", at_min(0), {101, 100}));
    world.hear(at_min(3), R"({"volume":99.995})");
    world.hear(at_min(6), R"({"volume":0.004})");
    world.hear(at_min(9), R"({"volume":0.004})");
    CHECK(ticks_in(world) == 14);
}

TEST_CASE("an alarm gives litres by the pulse value that holds") {
    MeterSettings meter = house();
    meter.pulse_value_changes = {{std::chrono::floor<std::chrono::days>(at_min(0)), {10, 1}}};
    meter.q3_l_per_h = {10'000, 1};
    RegisterWorld world({meter});
    world.hear_count(at_min(-60), 1000);
    // A tick each three minutes all night: 200 L/h.
    for (int i = 0; i <= 400; ++i)
        world.hear_count(at_min(3 * i), static_cast<std::uint64_t>(1000 + i));
    const auto alarms = world.alarms();
    const auto night = std::ranges::find(alarms, AlarmKind::night_flow,
                                         [](const AlarmRecord& record) { return record.alarm.kind; });
    REQUIRE(night != alarms.end());
    CHECK_THAT(night->alarm.text, Catch::Matchers::Contains("about 200.0 litres an hour"));
}

TEST_CASE("rows before a pulse value's date keep the old one, and sums over the change are exact") {
    MeterSettings meter = house();
    meter.pulse_value_l = {1, 3};
    meter.interval = std::chrono::hours{1};
    RegisterWorld world({meter});
    world.hear_count(at_min(0), 0);
    for (int hour = 1; hour <= 72; ++hour)
        world.hear_count(at_min(60 * hour), static_cast<std::uint64_t>(10 * hour));
    world.tell(at_min(60 * 72), instruction_to_set("house", at_min(48 * 60), {1, 2}));
    CHECK(world.row(Step::day, at_min(24 * 60))->revision == 0);
    CHECK(world.row(Step::day, at_min(48 * 60))->revision == 1);
    CHECK(world.row(Step::hour, at_min(50 * 60))->revision == 1);
    CHECK(world.published("meters/house/day").back()["volume_l"] == 120.0);
    // 480 ticks of 1/3 L and 240 of 1/2 L: 160 + 120 L.
    CHECK(world.published("meters/house/now").back()["register_m3"] == 0.28);
    world.tell(at_min(60 * 72), instruction_to_set("house", at_min(48 * 60), {1, 2}));
    CHECK(world.row(Step::day, at_min(48 * 60))->revision == 1);
    world.open();
    world.hear_count(at_min(60 * 73), 730);
    CHECK(world.published("meters/house/now").back()["register_m3"] == 0.285);

    SECTION("adjustments follow it, also one that spans the change") {
        // By the 72nd hour the register shows 290 L, and 280 L are counted.
        world.read(at_min(60 * 72), 290);
        REQUIRE(world.adjustments().size() == 1);
        // There are fewer ticks than hours, and all hours have equal parts. The earlier hours get the ticks,
        // which are worth 1/3 L.
        CHECK(world.adjustments()[0].ticks == 30);
        world.check_sums();
        world.tell(at_min(60 * 74), instruction_to_set("house", at_min(48 * 60), {13, 24}));
        // 160 + 240 * 13/24 = 290: nothing is missing any more.
        CHECK(world.adjustments().empty());
        world.check_sums();
    }
    SECTION("a whole number of litres is a pulse value too") {
        world.tell(at_min(60 * 74), instruction_to_set("house", at_min(48 * 60), {2, 1}));
        world.hear_count(at_min(60 * 75), 730);
        // 480 ticks of 1/3 L and 250 of 2 L.
        CHECK(world.published("meters/house/now").back()["register_m3"] == 0.66);
    }
}

TEST_CASE("an adjustment that reaches into removed days changes only what is kept") {
    MeterSettings meter = house();
    meter.interval = std::chrono::hours{1};
    RegisterWorld world({meter});
    for (int hour = 0; hour <= 96; ++hour)
        world.hear_count(at_min(60 * hour), static_cast<std::uint64_t>(10 * hour));
    must(world.keeper->remove_fine_detail(at_min(48 * 60)));
    CHECK_FALSE(world.row(Step::interval, at_min(60)));
    world.read(at_min(96 * 60), 1056);
    CHECK(world.adjustments().at(0).ticks == 96);
    CHECK_FALSE(world.row(Step::interval, at_min(60)));
    CHECK(world.row(Step::day, at_min(0))->ticks == 264);
    CHECK(world.row(Step::interval, at_min(50 * 60))->ticks == 11);
    world.open();
    world.read(at_min(30 * 60), 310);  // The entries of that day are gone.
    CHECK(world.readings().size() == 1);
}

TEST_CASE("late pulses for a removed day published its intervals again, as revision 1 each time") {
    MeterSettings meter = house();
    meter.message = MessageForm::pulses;
    meter.interval = std::chrono::hours{1};
    RegisterWorld world({meter});
    const auto told = [](int seq) { return R"({"pulses":1,"boot":1,"seq":)" + std::to_string(seq) + "}"; };
    world.hear(at_min(60), told(1));
    // A gap that begins on a day that will be removed and ends on one that is kept.
    world.hear(at_min(50 * 60), told(600));
    world.hear(at_min(100 * 60), told(601));
    must(world.keeper->remove_fine_detail(at_min(48 * 60)));
    const auto ticks = world.row(Step::day, at_min(0))->ticks;
    const auto published = world.published("meters/house/usage").size();
    world.hear(at_min(101 * 60), told(2));
    CHECK_FALSE(world.row(Step::interval, at_min(60)));
    CHECK(world.row(Step::day, at_min(0))->ticks == ticks + 1);
    CHECK(world.published("meters/house/usage").size() == published);
}
