// What booking accepts at each of its limits, and what it refuses just beyond.
#include "book/accounts.hpp"
#include "book/history_rules.hpp"
#include "book/instruction_documents.hpp"
#include "book/register_rules.hpp"
#include "book/told_draws.hpp"
#include "ledger_world.hpp"

using namespace tickledger;
using namespace tickledger::test;

namespace {

using std::chrono::hours;
using std::chrono::minutes;

constexpr Duration shortest{1};
constexpr std::int64_t litre_ul = 1'000'000;

/// A meter of 1 L a tick that has counted 100 ticks in thirty days.
struct Judge {
    CivilZone zone = must(CivilZone::find("UTC"));
    MeterSettings settings = house();
    RegisterBasis basis{.settings = settings,
                        .first_at = at_min(0) - hours{24 * 30},
                        .start_l = {0, 1},
                        .total_ticks = 100,
                        .readings = {},
                        .fine_detail_from = {},
                        .zone = zone};
    Instant now = at_min(0);

    Judge() = default;
    Judge(const Judge&) = delete;
    Judge& operator=(const Judge&) = delete;

    void knows(std::vector<RegisterReading> all) {
        readings = std::move(all);
        basis.readings = readings;
    }
    bool takes(Instant at, std::int64_t register_ul, bool starts = false) {
        return judge({at, register_ul, litre_ul, starts}, basis, now).has_value();
    }

    std::vector<RegisterReading> readings;
};

RegisterReading reading(Instant at, std::int64_t register_ul) {
    RegisterReading one;
    one.at = at;
    one.register_ul = register_ul;
    return one;
}

}  // namespace

TEST_CASE(
    "a reading may be as far in the future as two clocks may differ, and not before the first message") {
    Judge judge;
    CHECK(judge.takes(judge.now + minutes{2}, 100 * litre_ul));
    CHECK_FALSE(judge.takes(judge.now + minutes{2} + shortest, 100 * litre_ul));
    const Instant first_at = *judge.basis.first_at;
    CHECK(judge.takes(first_at + shortest, 0));
    CHECK_FALSE(judge.takes(first_at, 0));
    CHECK(judge.takes(first_at, 0, true));
    CHECK_FALSE(judge.takes(first_at - shortest, 0, true));
    judge.basis.fine_detail_from = at_min(-600);
    CHECK(judge.takes(at_min(-600), 100 * litre_ul));
    CHECK_FALSE(judge.takes(at_min(-600) - shortest, 100 * litre_ul));
}

TEST_CASE("a first reading may exceed the counted volume by a cubic metre and ten times that volume") {
    Judge judge;
    const std::int64_t most_ul = 100 * litre_ul + 1'000 * litre_ul + 10 * 100 * litre_ul;
    CHECK(judge.takes(judge.now, most_ul));
    CHECK_FALSE(judge.takes(judge.now, most_ul + 1));
    // The limit does not apply once the start of the register is known.
    judge.basis.start_l = {1, 1};
    CHECK(judge.takes(judge.now, most_ul + 1));
    judge.basis.start_l = {0, 1};
    judge.knows({reading(at_min(-1'000), 0)});
    CHECK(judge.takes(judge.now, most_ul + 1));
}

TEST_CASE("a register shows nothing below 0, and nothing at its range or above") {
    Judge judge;
    CHECK(judge.takes(judge.now, 0));
    CHECK_FALSE(judge.takes(judge.now, -1));
    judge.settings.register_range_l = {100, 1};
    CHECK(judge.takes(judge.now, 100 * litre_ul - 1));
    CHECK_FALSE(judge.takes(judge.now, 100 * litre_ul));
}

TEST_CASE("a register rises by no more than can have run plus its last digit, and does not fall") {
    Judge judge;
    judge.knows({reading(at_min(-180), 500 * litre_ul), reading(at_min(-60), 900 * litre_ul)});
    // 1.1 Q4 of Q3 2.5 m3/h (ISO 4064-1: Q4 = 1.25 Q3) is 3.4375 m3/h; two ticks and one litre more are
    // allowed.
    const std::int64_t most_ul = 900 * litre_ul + 3'437 * litre_ul + 2 * litre_ul + 1 * litre_ul;
    CHECK(judge.takes(judge.now, most_ul));
    CHECK_FALSE(judge.takes(judge.now, most_ul + 1));
    CHECK(judge.takes(judge.now, 900 * litre_ul));
    CHECK_FALSE(judge.takes(judge.now, 900 * litre_ul - 1));
    // Between two other readings the rule holds on both sides.
    CHECK(judge.takes(at_min(-120), 500 * litre_ul));
    CHECK_FALSE(judge.takes(at_min(-120), 500 * litre_ul - 1));
    CHECK(judge.takes(at_min(-120), 900 * litre_ul));
    CHECK_FALSE(judge.takes(at_min(-120), 900 * litre_ul + 1));
    // The same reading is accepted again; a different one for the same moment is refused.
    CHECK(judge.takes(at_min(-60), 900 * litre_ul));
    CHECK_FALSE(judge.takes(at_min(-60), 901 * litre_ul));
    CHECK_FALSE(judge.takes(at_min(-60), 900 * litre_ul, true));
    CHECK_FALSE(judge.takes(at_min(-200), 100 * litre_ul, true));
}

TEST_CASE("a register whose digits start again at 0 has made one more turn") {
    Judge judge;
    judge.settings.register_range_l = {1'000, 1};
    judge.knows({reading(at_min(-60), 900 * litre_ul)});
    const auto turns = [&](std::int64_t register_ul) {
        return must(tickledger::judge({judge.now, register_ul, litre_ul, false}, judge.basis, judge.now))
            .turns;
    };
    CHECK(turns(900 * litre_ul) == 0);
    CHECK(turns(900 * litre_ul - 1) == 1);
    judge.readings[0].turns = 4;
    CHECK(turns(950 * litre_ul) == 4);
    CHECK(turns(0) == 5);
}

TEST_CASE(
    "a reading by eye can be taken back while its fine detail is kept, the start only as the last one") {
    Judge judge;
    judge.knows({reading(at_min(-60), 900 * litre_ul), reading(at_min(-30), 900 * litre_ul)});
    CHECK(must(judge_taking_back(at_min(-60), judge.basis)) == 0);
    CHECK(must(judge_taking_back(at_min(-30), judge.basis)) == 1);
    CHECK_FALSE(judge_taking_back(at_min(-31), judge.basis));
    judge.basis.fine_detail_from = at_min(-60);
    CHECK(judge_taking_back(at_min(-60), judge.basis));
    judge.basis.fine_detail_from = at_min(-60) + shortest;
    CHECK_FALSE(judge_taking_back(at_min(-60), judge.basis));
    judge.basis.fine_detail_from.reset();
    judge.readings[0].starts = true;
    CHECK_FALSE(judge_taking_back(at_min(-60), judge.basis));
    judge.knows({judge.readings[0]});
    CHECK(judge_taking_back(at_min(-60), judge.basis));
}

TEST_CASE("cubic metres are shown to the litre, or finer if they were given finer") {
    CHECK(cubic_metres(0) == "0.000 m³");
    CHECK(cubic_metres(12'500 * litre_ul) == "12.500 m³");
    CHECK(cubic_metres(12'500 * litre_ul + 100'000) == "12.5001 m³");
    CHECK(cubic_metres(1) == "0.000000001 m³");
    CHECK(cubic_metres(-2'000 * litre_ul) == "-2.000 m³");
}

TEST_CASE("one piece of history holds at most a thousand readings over at most two years") {
    const CivilZone zone = must(CivilZone::find("UTC"));
    const Instant end = at_min(0);
    const auto piece = [&](std::size_t count, Duration length) {
        std::vector<HistoryPoint> points;
        for (std::size_t n = 0; n < count; ++n)
            points.push_back({end - length + Duration{static_cast<int>(n)}, 7});
        points.back().at = end;
        return history_entries("bills", points, end, zone);
    };
    CHECK(must(piece(1'000, hours{24})).size() == 999);
    CHECK_FALSE(piece(1'001, hours{24}));
    CHECK(must(piece(2, hours{24 * 732})).size() == 1);
    CHECK_FALSE(piece(2, hours{24 * 732} + shortest));
    CHECK_FALSE(piece(1, Duration{0}));
    // A register must not fall and must not be negative. It may stand still.
    const auto two = [&](std::int64_t before, std::int64_t after) {
        return history_entries("bills", std::vector<HistoryPoint>{{end - hours{1}, before}, {end, after}},
                               end, zone)
            .has_value();
    };
    CHECK(two(0, 0));
    CHECK(two(7, 7));
    CHECK_FALSE(two(7, 6));
    CHECK_FALSE(two(-1, 6));
}

TEST_CASE(
    "an import that touches another is new, one that overlaps it is refused, the same again adds nothing") {
    const CivilZone zone = must(CivilZone::find("UTC"));
    const auto entry = [](int from, int to, std::int64_t ticks) {
        return HistoryEntry{{at_min(from), at_min(to)}, ticks, "bills"};
    };
    const std::vector booked{entry(10, 20, 5), entry(30, 40, 6)};
    const auto news = [&](const HistoryEntry& one) { return history_news({one}, booked, zone); };
    CHECK(must(news(entry(0, 10, 1))).size() == 1);
    CHECK(must(news(entry(20, 30, 1))).size() == 1);
    CHECK(must(news(entry(40, 50, 1))).size() == 1);
    CHECK(must(news(entry(10, 20, 5))).empty());
    CHECK_FALSE(news(entry(10, 20, 6)));
    CHECK_FALSE(news(entry(0, 11, 1)));
    CHECK_FALSE(news(entry(19, 25, 1)));
    CHECK_FALSE(news(entry(0, 50, 1)));
}

TEST_CASE("an id made from a topic has at most 64 lower-case letters, digits and dashes") {
    MeterSettings flats;
    flats.id = "flat-{1}-w";
    flats.topic = "flats/+/water";
    const auto id_of = [&](const std::string& part) { return meter_id(flats, "flats/" + part + "/water"); };
    CHECK(id_of("az-09") == "flat-az-09-w");
    const std::string longest(64 - std::string("flat--w").size(), 'x');
    CHECK(id_of(longest) == "flat-" + longest + "-w");
    CHECK_FALSE(id_of(longest + "x"));
    // The characters next to the allowed ones.
    for (const char* wrong : {"`", "{", "/", ":", ",", ".", "A", "Z", "\x7f"}) {
        CAPTURE(wrong);
        CHECK_FALSE(id_of(wrong));
    }
    CHECK_FALSE(meter_id(flats, "flats/a/gas"));
    CHECK_FALSE(id_of(""));
    CHECK(meter_id(house(), "nodes/house") == "house");

    const std::vector meters{flats, house()};
    CHECK(settings_for(meters, "flat-7-w") == &meters[0]);
    CHECK(settings_for(meters, "house") == &meters[1]);
    for (const char* nobody : {"flat--w", "flat-w", "flat-7", "7-w", "flat-A-w", "hous", "house-w"}) {
        CAPTURE(nobody);
        CHECK(settings_for(meters, nobody) == nullptr);
    }
}

TEST_CASE("a pattern opens accounts up to the allowed number of meters, and named meters count too") {
    MeterSettings flats;
    flats.id = "flat-{1}";
    flats.topic = "flats/+";
    LedgerWorld world({house(), flats});
    world.keeper =
        std::make_unique<Bookkeeper>(world.meters, world.zone, *world.ledger, Publishing::everything, 3);
    must(world.keeper->load());
    for (const char* flat : {"a", "b", "c"})
        world.arrive(at_min(600), R"({"count":1})", std::string("flats/") + flat);
    CHECK(must(world.ledger->meters()).size() == 3);
    CHECK(world.keeper->turned_away() == "flats/c");
    // Each of two topics turned away is known as such when it speaks again.
    for (const char* flat : {"d", "c", "d"})
        world.arrive(at_min(603), R"({"count":1})", std::string("flats/") + flat);
    CHECK_FALSE(world.keeper->unmatched());
    CHECK(world.keeper->counts().booked >= 2);
}

TEST_CASE("a reload takes over the meters and their allowed number") {
    MeterSettings flats;
    flats.id = "flat-{1}";
    flats.topic = "flats/+";
    LedgerWorld world({flats});
    must(world.keeper->load(world.meters, 1));
    world.arrive(at_min(600), R"({"count":1})", "flats/a");
    world.arrive(at_min(600), R"({"count":1})", "flats/b");
    CHECK(must(world.ledger->meters()).size() == 1);
    must(world.keeper->load(world.meters, 2));
    world.arrive(at_min(603), R"({"count":1})", "flats/b");
    CHECK(must(world.ledger->meters()).size() == 2);
    const std::vector<MeterSettings> with_a_house{flats, house()};
    must(world.keeper->load(with_a_house, 3));
    world.arrive(at_min(606), R"({"count":1})");
    CHECK(must(world.ledger->meters()).size() == 3);
}

TEST_CASE("an alarm is shelved for at least a second and at most 31 days") {
    LedgerWorld world;
    world.hear_count(at_min(600), 100);
    world.hear_count(at_min(603), 100);
    world.run_clock(at_min(640));
    REQUIRE(world.alarms().size() == 1);
    const Alarm silent = world.alarms()[0].alarm;
    const auto after = [&](std::chrono::seconds for_s) {
        world.take({{Instruction{at_min(641), instruction_to_shelve("house", silent, for_s)}}});
        return world.alarms()[0].alarm;
    };
    constexpr std::chrono::seconds longest{31 * 86'400};
    CHECK(after(longest + std::chrono::seconds{1}).state == AlarmState::unacknowledged);
    CHECK(after(std::chrono::seconds{0}).state == AlarmState::unacknowledged);
    CHECK(after(longest).shelved_until == at_min(641) + longest);
    CHECK(after(std::chrono::seconds{1}).shelved_until == at_min(641) + std::chrono::seconds{1});
}

TEST_CASE("a label of a draw has a name of at most 60 bytes, some water and no negative flow") {
    LedgerWorld world;
    const auto takes = [&](const ToldDraw& told) {
        world.take({{Instruction{at_min(641), instruction_to_tell("house", told)}}});
        const auto all = told_draws_in(must(world.ledger->fact(told_draws_fact("house"))).value_or("[]"));
        world.take({{Instruction{at_min(641), instruction_to_forget("house", told.at)}}});
        return all == std::vector{told};
    };
    const ToldDraw shower{at_min(600), DrawLabel::shower, std::string(60, 'n'), 1, 0};
    CHECK(takes(shower));
    ToldDraw wrong = shower;
    wrong.name += 'n';
    CHECK_FALSE(takes(wrong));
    wrong = shower;
    wrong.volume_ul = 0;
    CHECK_FALSE(takes(wrong));
    wrong = shower;
    wrong.flow_ml_per_h = -1;
    CHECK_FALSE(takes(wrong));
}

TEST_CASE("a message missing from the queue of an earlier boot still counts when it arrives") {
    MeterSettings meter = house();
    meter.message = MessageForm::pulses;
    LedgerWorld world({meter});
    const auto say = [&](int minute, int pulses, int boot, int seq) {
        world.hear(at_min(minute), "{\"pulses\":" + std::to_string(pulses) + ",\"boot\":" +
                                       std::to_string(boot) + ",\"seq\":" + std::to_string(seq) + "}");
    };
    say(600, 1, 1, 1);
    say(603, 1, 1, 2);
    say(606, 1, 2, 1);
    say(609, 1, 2, 2);
    const std::int64_t before = ticks_in(world);
    // The third message of the first boot arrives after the fourth.
    say(612, 5, 1, 4);
    CHECK(ticks_in(world) == before + 5);
    say(615, 7, 1, 3);
    CHECK(ticks_in(world) == before + 12);
}
