#include "store/ledger_view.hpp"

#include <atomic>
#include <catch2/catch.hpp>
#include <thread>

#include "store/database.hpp"
#include "store/opened_ledger.hpp"
#include "support/temp_directory.hpp"

using namespace tickledger;
using tickledger::test::TempDirectory;
using namespace std::chrono_literals;

namespace {

const Instant start = parse_rfc3339("2026-03-01T00:00:00Z").value();

Entry measured(Duration from, Duration to, std::int64_t ticks) {
    Entry entry;
    entry.span = {start + from, start + to};
    entry.ticks = ticks;
    return entry;
}

std::vector<Entry> all_entries(LedgerView& view, MeterKey meter, Span span) {
    std::vector<Entry> found;
    REQUIRE(view.entries(meter, span, [&](const Entry& entry) {
        found.push_back(entry);
        return true;
    }));
    return found;
}

}  // namespace

TEST_CASE("a view shows what the writer has committed while the writer is open") {
    const TempDirectory directory;
    auto ledger = std::move(Ledger::open(directory / "ledger.db").value());
    auto view = std::move(LedgerView::open(directory / "ledger.db").value());
    CHECK(view->meters().value().empty());
    CHECK(view->outbox_size().value() == 0);

    const auto house = ledger->meter_key("house").value();
    const auto garden = ledger->meter_key("garden").value();
    REQUIRE(ledger->set_state(garden, "{}"));
    REQUIRE(ledger->set_fact("accepted", "1"));
    const RowKey key{house, Step::interval, start};
    REQUIRE(ledger->put_row(key, {1, 5min, 1, 0}));
    REQUIRE(ledger->queue({0, "meters/house/now", "{}", true}));
    for (const auto at : {0h, 1h}) {
        REQUIRE(ledger->add_refused(
            {house, start + at, Refusal::unreadable, "t", std::to_string(at.count()), "why"}));
    }
    REQUIRE(
        ledger->add_undecided(garden, AlarmKind::night_flow, {start, start + 4h}, "Two hours are missing."));
    REQUIRE(
        ledger->add_undecided(garden, AlarmKind::night_flow, {start, start + 4h}, "One hour is missing."));
    Alarm older;
    older.raised_at = start;
    older.kind = AlarmKind::high_flow;
    Alarm newer;
    newer.raised_at = start + 1h;
    newer.state = AlarmState::shelved;
    REQUIRE(ledger->put_alarm(house, newer));
    REQUIRE(ledger->put_alarm(garden, older));

    CHECK(view->meters().value().size() == 2);
    CHECK(view->meter("garden").value()->key == garden);
    CHECK(view->meter("garden").value()->state == "{}");
    CHECK_FALSE(view->meter("attic").value());
    CHECK(view->fact("accepted").value() == "1");
    CHECK(view->row(key).value() == Row{1, 5min, 1, 0});
    CHECK(view->outbox_size().value() == 1);

    const auto refused = view->refused(house, {start, start + 1h}).value();
    REQUIRE(refused.size() == 1);
    CHECK(refused[0].at == start + 1h);
    CHECK(refused[0].reason == Refusal::unreadable);
    CHECK(refused[0].payload == "1");
    CHECK(refused[0].text == "why");

    const auto undecided = view->undecided(std::nullopt).value();
    REQUIRE(undecided.size() == 1);
    CHECK(undecided[0].meter == "garden");
    CHECK(undecided[0].window == Span{start, start + 4h});
    CHECK(undecided[0].text == "One hour is missing.");
    CHECK(view->undecided("house").value().empty());

    const auto alarms = view->alarms(std::nullopt, std::nullopt).value();
    REQUIRE(alarms.size() == 2);
    CHECK(alarms[0].meter == "house");
    CHECK(alarms[0].alarm.state == AlarmState::shelved);
    CHECK(alarms[1].alarm.kind == AlarmKind::high_flow);
    CHECK(view->alarms("garden", std::nullopt).value().size() == 1);
    CHECK(view->alarms("garden", AlarmState::shelved).value().empty());
    CHECK(view->alarms(std::nullopt, AlarmState::shelved).value().size() == 1);
}

TEST_CASE("between begin and end a view stays at one moment") {
    const TempDirectory directory;
    auto ledger = std::move(Ledger::open(directory / "ledger.db").value());
    REQUIRE(ledger->add_entry(1, measured(0h, 1h, 1)));
    auto view = std::move(LedgerView::open(directory / "ledger.db").value());

    REQUIRE(view->begin());
    REQUIRE(ledger->add_entry(1, measured(1h, 2h, 1)));
    CHECK(all_entries(*view, 1, {start, start + 9h}).size() == 1);
    view->end();
    CHECK(all_entries(*view, 1, {start, start + 9h}).size() == 2);
    view->end();  // Nothing is open: nothing happens.

    REQUIRE(ledger->begin());
    REQUIRE(ledger->add_entry(1, measured(2h, 3h, 1)));
    CHECK(all_entries(*view, 1, {start, start + 9h}).size() == 2);
    ledger->roll_back();
}

TEST_CASE("a view can stop in the middle of the entries and answer other queries meanwhile") {
    const TempDirectory directory;
    auto ledger = std::move(Ledger::open(directory / "ledger.db").value());
    for (int i = 0; i < 5; ++i)
        REQUIRE(ledger->add_entry(1, measured(i * 20h, (i + 1) * 20h, 1)));
    auto view = std::move(LedgerView::open(directory / "ledger.db").value());
    int seen = 0;
    REQUIRE(view->entries(1, {start, start + 100h}, [&](const Entry&) {
        CHECK(view->meters().value().empty());
        return ++seen < 3;
    }));
    CHECK(seen == 3);
    CHECK(all_entries(*view, 1, {start, start + 100h}).size() == 5);
}

TEST_CASE("a reader in another thread never sees half of a commit") {
    const TempDirectory directory;
    auto ledger = std::move(Ledger::open(directory / "ledger.db").value());
    std::atomic<bool> finished = false;
    std::atomic<int> rounds = 0;
    std::string trouble;
    std::thread reader([&] {
        auto view = LedgerView::open(directory / "ledger.db");
        if (!view) {
            trouble = view.error().text;
            return;
        }
        while ((!finished || rounds < 10) && trouble.empty()) {
            if (auto begun = (*view)->begin(); !begun) {
                trouble = begun.error().text;
                break;
            }
            const auto first = (*view)->fact("first");
            const auto second = (*view)->fact("second");
            (*view)->end();
            if (!first || !second) {
                trouble = (first ? second : first).error().text;
            } else if (*first != *second) {
                trouble = "first and second differ";
            }
            ++rounds;
        }
    });
    for (int i = 0; i < 300; ++i) {
        const bool done = ledger->begin() && ledger->set_fact("first", std::to_string(i)) &&
                          ledger->set_fact("second", std::to_string(i)) && ledger->commit();
        CHECK(done);
    }
    finished = true;
    reader.join();
    CHECK(trouble.empty());
    CHECK(rounds >= 10);
}

TEST_CASE("a view can be opened on a ledger that no writer holds, and cannot change it") {
    const TempDirectory directory;
    {
        auto ledger = std::move(Ledger::open(directory / "ledger.db").value());
        REQUIRE(ledger->set_fact("accepted", "1"));
    }
    auto view = LedgerView::open(directory / "ledger.db");
    INFO((view ? std::string() : view.error().text));
    REQUIRE(view);
    CHECK((*view)->fact("accepted").value() == "1");
    // A view does not keep a writer out.
    CHECK(Ledger::open(directory / "ledger.db"));
}

TEST_CASE("a reader of a file in the ledger's place emptied the index that the writer used") {
    const TempDirectory directory;
    const auto file = directory / "ledger.db";
    auto ledger = test::opened(file);
    test::done(ledger->put_row({1, Step::day, Instant{}}, {.ticks = 7}));
    const auto shm = file.string() + "-shm";
    const auto before = std::filesystem::file_size(shm);
    REQUIRE(before > 0);
    std::filesystem::rename(directory.write("other", "something of a person's"), file);
    const auto view = LedgerView::open(file, [&] { return ledger->is_in_place(); });
    REQUIRE_FALSE(view);
    CHECK_THAT(view.error().text, Catch::Contains("replaced") && Catch::Contains("Ask again"));
    CHECK(std::filesystem::file_size(shm) == before);
}
