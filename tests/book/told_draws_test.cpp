#include "book/told_draws.hpp"

#include "book/ledger_world.hpp"

using namespace tickledger;
using namespace tickledger::test;
using std::chrono::minutes;

namespace {

constexpr Instant begin{std::chrono::sys_days{std::chrono::year{2026} / 3 / 1}};

ToldDraw said(int minute, DrawLabel label, std::string name = {}) {
    return {begin + minutes{minute}, label, std::move(name), 30'000'000, 480'000};
}

struct TellingWorld : LedgerWorld {
    TellingWorld() { hear_count(begin, 100); }
    void tell(const std::string& document) { take({{Instruction{begin + minutes{1000}, document}}}); }
    [[nodiscard]] std::vector<ToldDraw> told() {
        return told_draws_in(must(ledger->fact(told_draws_fact("house"))).value_or("[]"));
    }
};

}  // namespace

TEST_CASE("labels of draws survive a kill, are kept once and can be taken back") {
    TellingWorld world;
    const ToldDraw shower = said(10, DrawLabel::shower, "Ada's \"long\" one");
    const ToldDraw flush = said(5, DrawLabel::flush);
    for (int times = 0; times < 2; ++times) {
        world.tell(instruction_to_tell("house", shower));
        world.tell(instruction_to_tell("house", flush));
        CHECK(world.told() == std::vector{flush, shower});
        world.open();
    }
    world.tell(instruction_to_tell("house", said(10, DrawLabel::bath)));
    CHECK(world.told() == std::vector{flush, said(10, DrawLabel::bath)});
    world.tell(instruction_to_forget("house", shower.at));
    world.tell(instruction_to_forget("house", shower.at));
    CHECK(world.told() == std::vector{flush});
}

TEST_CASE("an invalid label of a draw is ignored") {
    TellingWorld world;
    world.tell(
        R"({"do":"tell-draw","meter":"house","time":"2026-03-01T08:00:00Z","was":"sauna","volume_ul":1,"flow_ml_per_h":1})");
    world.tell(
        R"({"do":"tell-draw","meter":"house","time":"2026-03-01T08:00:00Z","was":"tap","volume_ul":0,"flow_ml_per_h":1})");
    world.tell(R"({"do":"tell-draw","meter":"house","was":"tap","volume_ul":1,"flow_ml_per_h":1})");
    CHECK(world.told().empty());
}

TEST_CASE("of very many labels of draws the oldest are removed") {
    TellingWorld world;
    for (int i = 0; i <= static_cast<int>(told_draws_max); ++i)
        world.tell(instruction_to_tell("house", said(i, DrawLabel::tap)));
    const auto told = world.told();
    REQUIRE(told.size() == told_draws_max);
    CHECK(told.front().at == begin + minutes{1});
}
