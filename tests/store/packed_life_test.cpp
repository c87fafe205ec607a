// The law of packing: every query gives the same answer before and after packing, at every moment. A random
// life of a few meters is written into a ledger that packs at random moments and into one that never packs.
#include <array>
#include <catch2/catch.hpp>
#include <memory>

#include <rapidcheck/catch.h>

#include "store/ledger.hpp"
#include "store/ledger_view.hpp"
#include "support/temp_directory.hpp"

using namespace tickledger;
using tickledger::test::TempDirectory;
using namespace std::chrono_literals;

namespace {

/// A year ends a few days later.
const Instant start = parse_rfc3339("2025-12-28T00:00:00Z").value();
constexpr MeterKey meter_count = 3;
constexpr std::array steps{Step::interval, Step::hour, Step::day};
constexpr int days_lived = 12;

/// A number of any size, most of them small.
std::uint64_t some_number() {
    return *rc::gen::weightedOneOf<std::uint64_t>(
        {{8, rc::gen::inRange<std::uint64_t>(0, 100)}, {1, rc::gen::arbitrary<std::uint64_t>()}});
}

Entry some_entry(Instant from) {
    Entry entry;
    entry.span.from = from;
    entry.span.to =
        from + *rc::gen::weightedElement<Duration>({{12, 3h}, {2, 0h}, {2, 7h}, {1, 50h}, {1, 3h - 1us}});
    entry.kind = *rc::gen::weightedElement<EntryKind>({{9, EntryKind::measured},
                                                       {1, EntryKind::restart},
                                                       {1, EntryKind::preset},
                                                       {1, EntryKind::lost},
                                                       {1, EntryKind::reverse}});
    entry.ticks = static_cast<std::int64_t>(some_number());
    if (entry.kind == EntryKind::reverse) entry.ticks = -1 - std::abs(entry.ticks % 1000);
    entry.end = {some_number(), some_number() % 3, some_number() % 16};
    entry.begin_count = *rc::gen::arbitrary<bool>()
                            ? some_number()
                            : entry.end.count - static_cast<std::uint64_t>(entry.ticks);
    if (entry.kind == EntryKind::lost) {
        entry.ticks = 0;
        entry.begin_count = some_number() % 16;
    }
    entry.time_estimated = *rc::gen::inRange(0, 5) == 0;
    if (*rc::gen::inRange(0, 5) == 0) entry.unseen_max = some_number();
    return entry;
}

Row some_row() {
    return {static_cast<std::int64_t>(some_number()),
            Duration{static_cast<std::int64_t>(some_number() % 3'600'000'001)},
            static_cast<std::int64_t>(some_number()), static_cast<std::int64_t>(some_number() % 4)};
}

Instant some_instant() {
    return start + *rc::gen::inRange(0, days_lived * 24) * 1h + Duration{*rc::gen::inRange(-1, 2)};
}

/// The two ledgers, and a reader of each.
struct Pair {
    TempDirectory directory;
    std::unique_ptr<Ledger> packing;
    std::unique_ptr<Ledger> plain;
    std::unique_ptr<LedgerView> packing_view;
    std::unique_ptr<LedgerView> plain_view;

    Pair() {
        open();
        packing_view = std::move(LedgerView::open(directory / "packing.db").value());
        plain_view = std::move(LedgerView::open(directory / "plain.db").value());
    }
    void open() {
        packing.reset();
        plain.reset();
        packing = std::move(Ledger::open(directory / "packing.db").value());
        plain = std::move(Ledger::open(directory / "plain.db").value());
    }
    /// Makes the same change to both. It must succeed or fail in both.
    template <typename Change>
    void both(const Change& change) {
        RC_ASSERT(change(*packing).has_value() == change(*plain).has_value());
    }
};

std::vector<Entry> entries_of(LedgerView& view, MeterKey meter, Span span) {
    std::vector<Entry> found;
    RC_ASSERT(view.entries(meter, span, [&](const Entry& entry) {
        found.push_back(entry);
        return true;
    }));
    return found;
}

void ask_the_writers(Pair& pair, MeterKey meter) {
    const Instant t = some_instant();
    const Span span{t, t + *rc::gen::inRange(0, 100) * 1h};
    RC_ASSERT(pair.packing->entry_at(meter, t).value() == pair.plain->entry_at(meter, t).value());
    RC_ASSERT(pair.packing->entry_before(meter, t).value() == pair.plain->entry_before(meter, t).value());
    RC_ASSERT(pair.packing->entries(meter, span).value() == pair.plain->entries(meter, span).value());
    const auto boot = some_number() % 3;
    const auto seq = some_number() % 16;
    RC_ASSERT(pair.packing->gap_of(meter, boot, seq).value() == pair.plain->gap_of(meter, boot, seq).value());
}

void compare_everything(Pair& pair) {
    for (MeterKey meter = 1; meter <= meter_count; ++meter) {
        const Span life{start - 100h, start + 24h * (days_lived + 10)};
        RC_ASSERT(entries_of(*pair.packing_view, meter, life) == entries_of(*pair.plain_view, meter, life));
        RC_ASSERT(pair.packing_view->unseen(meter, life).value() ==
                  pair.plain_view->unseen(meter, life).value());
        // A reader may ask at one moment, and what it keeps of that moment must not outlive it.
        const bool at_one_moment = *rc::gen::arbitrary<bool>();
        if (at_one_moment) RC_ASSERT(pair.packing_view->begin());
        for (const Step step : steps) {
            for (Instant at = start; at < start + days_lived * 24h; at += 1h) {
                const RowKey key{meter, step, at};
                RC_ASSERT(pair.packing_view->row(key).value() == pair.plain_view->row(key).value());
                RC_ASSERT(pair.packing->row(key).value() == pair.plain->row(key).value());
            }
        }
        if (at_one_moment) pair.packing_view->end();
    }
}

}  // namespace

TEST_CASE("a ledger that packs its days answers like one that never does") {
    rc::prop("random lives", [] {
        Pair pair;
        std::array<Instant, meter_count + 1> ends;
        ends.fill(start);
        const int batches = *rc::gen::inRange(1, 12);
        for (int batch = 0; batch < batches; ++batch) {
            RC_ASSERT(pair.packing->begin());
            RC_ASSERT(pair.plain->begin());
            const int changes = *rc::gen::inRange(0, 25);
            for (int i = 0; i < changes; ++i) {
                const auto meter = *rc::gen::inRange<MeterKey>(1, meter_count + 1);
                const int choice = *rc::gen::inRange(0, 12);
                if (choice < 5) {
                    // The next reading, sometimes more than a day later, or a late one over existing entries.
                    auto& end = ends[static_cast<std::size_t>(meter)];
                    for (int run = choice == 0 ? 1 : *rc::gen::inRange(1, 6); run > 0; --run) {
                        const Entry entry =
                            some_entry(choice == 0 ? some_instant() : end + *rc::gen::element(0h, 0h, 30h));
                        if (choice != 0) end = entry.span.to;
                        pair.both([&](Ledger& ledger) { return ledger.add_entry(meter, entry); });
                    }
                } else if (choice == 5) {
                    Entry adjustment = some_entry(some_instant());
                    adjustment.kind = EntryKind::adjustment;
                    pair.both([&](Ledger& ledger) { return ledger.add_entry(meter, adjustment); });
                } else if (choice == 6) {
                    const auto old =
                        pair.plain->entries(meter, {start, start + 24h * (days_lived + 10)}).value();
                    if (old.empty()) continue;
                    const Entry entry = *rc::gen::elementOf(old);
                    pair.both([&](Ledger& ledger) { return ledger.remove_entry(meter, entry); });
                } else if (choice < 10) {
                    const Step step = *rc::gen::elementOf(steps);
                    const RowKey key{meter, step, start + *rc::gen::inRange(0, days_lived * 24) * 1h};
                    const Row row = some_row();
                    pair.both([&](Ledger& ledger) { return ledger.put_row(key, row); });
                } else if (choice == 10) {
                    const Step step = *rc::gen::elementOf(steps);
                    const Instant from = some_instant();
                    const Instant to = from + *rc::gen::inRange(0, 60) * 1h;
                    pair.both([&](Ledger& ledger) { return ledger.revise_rows(meter, step, from, to); });
                } else {
                    RC_ASSERT(pair.packing->pack_oldest(some_instant()));
                }
                // A query ends the group of entries that waits.
                if (*rc::gen::inRange(0, 3) == 0) ask_the_writers(pair, meter);
            }
            if (*rc::gen::inRange(0, 4) == 0) {
                pair.packing->roll_back();
                pair.plain->roll_back();
            } else {
                RC_ASSERT(pair.packing->commit());
                RC_ASSERT(pair.plain->commit());
            }
            const int chance = *rc::gen::inRange(0, 8);
            if (chance == 0) pair.open();
            if (chance == 1) {
                const Instant before = some_instant() - 24h * (days_lived / 2);
                RC_ASSERT(pair.packing->remove_oldest_day(before).value() ==
                          pair.plain->remove_oldest_day(before).value());
            }
            if (chance > 3) {
                const Instant before = some_instant();
                RC_ASSERT(pair.packing->begin());
                for (bool packed = true; packed;)
                    packed = pair.packing->pack_oldest(before).value();
                RC_ASSERT(pair.packing->commit());
            }
            if (batch + 1 == batches || *rc::gen::inRange(0, 3) == 0) compare_everything(pair);
        }
    });
}

TEST_CASE("a waiting row was written into a day that had been packed in the same transaction") {
    const TempDirectory directory;
    auto ledger = std::move(Ledger::open(directory / "ledger.db").value());
    const Entry entry{.span = {start, start + 3h}, .ticks = 7, .end = {.count = 7}};
    REQUIRE(ledger->begin());
    REQUIRE(ledger->add_entry(1, entry));
    REQUIRE(ledger->put_row({1, Step::interval, start}, {.ticks = 7, .covered = 3h}));
    REQUIRE(ledger->pack_oldest(start + 48h).value());
    REQUIRE(ledger->commit());
    // A start looks at every day: nothing is left to pack, and nothing fails.
    ledger.reset();
    ledger = std::move(Ledger::open(directory / "ledger.db").value());
    REQUIRE(ledger->begin());
    const auto packed = ledger->pack_oldest(start + 48h);
    REQUIRE(packed);
    CHECK_FALSE(*packed);
    REQUIRE(ledger->commit());
    CHECK(ledger->row({1, Step::interval, start}).value()->ticks == 7);
}

TEST_CASE("a day could not be unpacked if two entries without length end with a group and a row") {
    const TempDirectory directory;
    auto ledger = std::move(Ledger::open(directory / "ledger.db").value());
    const auto entry = [](Duration from, Duration to, EntryKind kind, std::int64_t ticks) {
        return Entry{.span = {start + from, start + to}, .ticks = ticks, .kind = kind, .end = {}};
    };
    const auto add = [&](const std::vector<Entry>& entries) {
        REQUIRE(ledger->begin());
        for (const Entry& each : entries)
            REQUIRE(ledger->add_entry(1, each));
        REQUIRE(ledger->commit());
    };
    add({entry(0h, 1h, EntryKind::measured, 1), entry(1h, 1h, EntryKind::preset, 0)});
    add({entry(1h, 1h, EntryKind::measured, 2), entry(1h, 2h, EntryKind::measured, 3)});
    const auto before = ledger->entries(1, {start, start + 24h}).value();
    REQUIRE(before.size() == 4);
    REQUIRE(ledger->begin());
    REQUIRE(ledger->pack_oldest(start + 48h).value());
    REQUIRE(ledger->commit());
    CHECK(ledger->entries(1, {start, start + 24h}).value() == before);
    add({entry(2h, 3h, EntryKind::measured, 4)});
    const auto after = ledger->entries(1, {start, start + 24h}).value();
    REQUIRE(after.size() == 5);
    CHECK(std::equal(before.begin(), before.end(), after.begin()));
}
