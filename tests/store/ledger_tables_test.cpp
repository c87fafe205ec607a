// Refused messages, alarms and the outbox, as the ledger keeps them.
#include "store/database.hpp"
#include "store/opened_ledger.hpp"
#include "support/temp_directory.hpp"

using namespace tickledger;
using namespace tickledger::test;
using namespace std::chrono_literals;

namespace {

const Instant start = parse_rfc3339("2026-03-01T00:00:00Z").value();

}  // namespace

TEST_CASE("a refused message is kept once, cut to a kibibyte, and the oldest beyond a thousand are removed") {
    const TempDirectory directory;
    auto ledger = opened(directory / "ledger.db");
    const auto meter = value_of(ledger->meter_key("house"));
    Refused refused{meter, start, Refusal::stray, "nodes/cellar/water", "1", "The count jumped."};
    CHECK(value_of(ledger->add_refused(refused)));
    refused.at = start + 1h;
    refused.reason = Refusal::late;
    CHECK_FALSE(value_of(ledger->add_refused(refused)));
    refused.topic = "nodes/garden/water";
    CHECK(value_of(ledger->add_refused(refused)));

    done(ledger->begin());
    for (int i = 0; i < 1000; ++i) {
        refused.at = start + 2h + i * 1s;
        refused.payload = std::to_string(i) + std::string(2000, 'x');
        CHECK(value_of(ledger->add_refused(refused)));
    }
    done(ledger->commit());
    auto file = value_of(Database::open(directory / "ledger.db", Database::Access::read));
    CHECK(value_of(file->integer("SELECT count(*) FROM refused")) == 1000);
    CHECK(value_of(file->integer("SELECT min(at_us) FROM refused")) == microseconds_of(start + 2h));
    CHECK(value_of(file->integer("SELECT max(length(payload)) FROM refused")) == 1024);
    CHECK(value_of(file->integer("SELECT sum(messages) FROM refused_left_out")) == 2);
}

TEST_CASE("an alarm is added, changed and found while it is active or shelved") {
    const TempDirectory directory;
    auto ledger = opened(directory / "ledger.db");
    Alarm alarm;
    alarm.kind = AlarmKind::counter_fault;
    alarm.state = AlarmState::unacknowledged;
    alarm.raised_at = start;
    alarm.evidence = R"({"ticks":4})";
    alarm.text = "The count fell.";
    alarm.id = value_of(ledger->put_alarm(1, alarm));
    CHECK(value_of(ledger->put_alarm(2, Alarm{})) == alarm.id + 1);

    const auto active = value_of(ledger->open_alarms(1));
    REQUIRE(active.size() == 1);
    CHECK(active[0].id == alarm.id);
    CHECK(active[0].kind == alarm.kind);
    CHECK(active[0].state == alarm.state);
    CHECK(active[0].raised_at == start);
    CHECK(active[0].evidence == alarm.evidence);
    CHECK(active[0].text == alarm.text);

    alarm.state = AlarmState::returned_unacknowledged;
    alarm.cleared_at = start + 1h;
    CHECK(value_of(ledger->put_alarm(1, alarm)) == alarm.id);
    CHECK(value_of(ledger->open_alarms(1)).empty());
    const auto found = value_of(ledger->last_alarm(1, alarm.kind));
    REQUIRE(found);
    CHECK(found->id == alarm.id);
    CHECK(found->cleared_at == start + 1h);
    CHECK(found->state == AlarmState::returned_unacknowledged);
    CHECK_FALSE(found->acknowledged_at);
    CHECK_FALSE(value_of(ledger->last_alarm(1, AlarmKind::away_use)));
    CHECK_FALSE(value_of(ledger->last_alarm(2, alarm.kind)));

    alarm.state = AlarmState::shelved;
    alarm.acknowledged_at = start + 2h;
    alarm.shelved_until = start + 3h;
    CHECK(value_of(ledger->put_alarm(1, alarm)) == alarm.id);
    const auto shelved = value_of(ledger->open_alarms(1));
    REQUIRE(shelved.size() == 1);
    CHECK(shelved[0].acknowledged_at == start + 2h);
    CHECK(shelved[0].shelved_until == start + 3h);
    Alarm newer = alarm;
    newer.id = 0;
    newer.raised_at = start + 4h;
    newer.id = value_of(ledger->put_alarm(1, newer));
    CHECK(value_of(ledger->last_alarm(1, alarm.kind))->id == newer.id);
    CHECK(value_of(ledger->last_alarm(1, alarm.kind, start))->id == alarm.id);
    CHECK_FALSE(value_of(ledger->last_alarm(1, alarm.kind, start + 1h)));
    alarm.id = 999;
    CHECK_FALSE(ledger->put_alarm(1, alarm));
}

TEST_CASE("the outbox gives publications in order, and a retained one replaces the older one of its topic") {
    const TempDirectory directory;
    std::int64_t sent = 0;
    {
        auto ledger = opened(directory / "ledger.db");
        done(ledger->queue({0, "meters/house/usage", "1", false}));
        done(ledger->queue({0, "meters/house/usage", "2", false}));
        done(ledger->queue({0, "meters/house/now", "old", true}));
        sent = value_of(ledger->outbox(0, 9)).back().id;
        done(ledger->queue({0, "meters/house/now", "new", true}));
        // The acknowledgement of the old one arrives only now. It must not remove the new one.
        done(ledger->remove_outgoing(sent));
        const auto waiting = value_of(ledger->outbox(0, 9));
        REQUIRE(waiting.size() == 3);
        CHECK(waiting[0].payload == "1");
        CHECK_FALSE(waiting[0].retained);
        CHECK(waiting[1].payload == "2");
        CHECK(waiting[2].payload == "new");
        CHECK(waiting[2].retained);
        CHECK(value_of(ledger->outbox(waiting[0].id, 1)).front().payload == "2");
    }
    auto ledger = opened(directory / "ledger.db");
    done(ledger->queue({0, "meters/house/usage", "3", false}));
    const auto waiting = value_of(ledger->outbox(0, 9));
    REQUIRE(waiting.size() == 4);
    CHECK(waiting.back().payload == "3");
}
