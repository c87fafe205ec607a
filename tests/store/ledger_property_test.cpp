// Random entries against a plain list: queries for entries give the same as a search of the list.
#include <algorithm>
#include <array>
#include <catch2/catch.hpp>
#include <set>

#include <rapidcheck/catch.h>

#include "store/ledger.hpp"
#include "support/temp_directory.hpp"

using namespace tickledger;
using tickledger::test::TempDirectory;
using namespace std::chrono_literals;

namespace {

const Instant start = parse_rfc3339("2026-03-01T00:00:00Z").value();
constexpr MeterKey meter_count = 3;

/// What the ledger promises, in the plainest code.
class Oracle {
public:
    void add(const Entry& entry) {
        entries_.push_back(entry);
        std::stable_sort(entries_.begin(), entries_.end(), [](const Entry& a, const Entry& b) {
            return a.span.to != b.span.to ? a.span.to < b.span.to : a.span.from < b.span.from;
        });
    }
    void remove(const Entry& entry) { entries_.erase(std::find(entries_.begin(), entries_.end(), entry)); }

    [[nodiscard]] std::optional<Entry> at(Instant t) const {
        for (const Entry& e : entries_) {
            const bool holds = (e.span.from < t && t <= e.span.to) || (e.span.from == t && e.span.to == t);
            if (e.kind != EntryKind::adjustment && holds) return e;
        }
        return std::nullopt;
    }
    [[nodiscard]] std::optional<Entry> before(Instant t) const {
        std::optional<Entry> last;
        for (const Entry& e : entries_) {
            if (e.kind != EntryKind::adjustment && e.span.to <= t) last = e;
        }
        return last;
    }
    [[nodiscard]] std::optional<Entry> hole(std::uint64_t boot, std::uint64_t seq) const {
        std::optional<Entry> last;
        for (const Entry& e : entries_) {
            if (e.kind != EntryKind::lost || e.end.boot != boot) continue;
            for (auto missed = e.begin_count;; missed = (missed + 1) % 16) {
                if (missed == seq) last = e;
                if (missed == e.end.seq) break;
            }
        }
        return last;
    }
    [[nodiscard]] std::vector<Entry> touching(Span span) const {
        std::vector<Entry> found;
        for (const Entry& e : entries_) {
            const bool lies_in = e.span.from == e.span.to && e.span.to > span.from && e.span.to <= span.to;
            const bool shares = e.span.from != e.span.to && e.span.from < span.to && e.span.to > span.from;
            if (lies_in || shares) found.push_back(e);
        }
        return found;
    }
    [[nodiscard]] const std::vector<Entry>& all() const { return entries_; }

private:
    std::vector<Entry> entries_;
};

/// Whole hours over about a month, some of them a microsecond earlier or later.
Instant some_instant() {
    const auto hours = *rc::gen::inRange(-50, 800);
    const auto beside_us = *rc::gen::inRange(-1, 2);
    return start + hours * 1h + Duration{beside_us};
}

/// The meter's next entry after the others: it may leave a gap of days, and may have no length.
Entry next_entry(Instant after) {
    Entry entry;
    entry.span.from = after + *rc::gen::weightedElement<Duration>({{6, 0h}, {2, 5h}, {1, 24h * 5}});
    entry.span.to =
        entry.span.from + *rc::gen::weightedElement<Duration>({{2, 0h}, {4, 1h}, {4, 7h}, {1, 24h * 9}});
    entry.kind = *rc::gen::weightedElement<EntryKind>({{12, EntryKind::measured},
                                                       {1, EntryKind::restart},
                                                       {1, EntryKind::preset},
                                                       {1, EntryKind::lost},
                                                       {1, EntryKind::reverse}});
    entry.ticks = entry.kind == EntryKind::lost ? 0 : *rc::gen::inRange<std::int64_t>(0, 50);
    if (entry.kind == EntryKind::reverse) entry.ticks = -1 - entry.ticks;
    entry.begin_count = *rc::gen::inRange<std::uint64_t>(0, 16);
    entry.time_estimated = *rc::gen::arbitrary<bool>();
    if (*rc::gen::arbitrary<bool>()) entry.unseen_max = *rc::gen::arbitrary<std::uint64_t>();
    entry.end.count = *rc::gen::inRange<std::uint64_t>(0, 60);
    entry.end.boot = *rc::gen::inRange<std::uint64_t>(0, 3);
    entry.end.seq = *rc::gen::inRange<std::uint64_t>(0, 16);
    return entry;
}

Entry some_adjustment() {
    Entry entry;
    entry.kind = EntryKind::adjustment;
    entry.span.to = some_instant();
    entry.span.from = entry.span.to - *rc::gen::inRange(0, 400) * 1h;
    entry.ticks = *rc::gen::inRange<std::int64_t>(-20, 20);
    return entry;
}

/// Does what a late message does: looks up an entry and replaces it by two. Mostly it takes the newest one.
void divide_one(Ledger& ledger, MeterKey meter, Oracle& oracle) {
    std::vector<Entry> long_ones;
    for (const Entry& entry : oracle.all()) {
        if (entry.kind == EntryKind::measured && entry.span.length() >= 1h) long_ones.push_back(entry);
    }
    if (long_ones.empty()) return;
    const Entry entry = *rc::gen::arbitrary<bool>() ? long_ones.back() : *rc::gen::elementOf(long_ones);
    const Instant t = entry.span.from + *rc::gen::element<Duration>(1us, 10min, 59min);
    RC_ASSERT(ledger.entry_at(meter, t).value() == oracle.at(t));
    RC_ASSERT(ledger.entry_before(meter, entry.span.from).value() == oracle.before(entry.span.from));
    Entry first = entry;
    Entry second = entry;
    first.span.to = second.span.from = t;
    const std::array parts{first, second};
    RC_ASSERT(ledger.replace_entry(meter, entry, parts));
    oracle.remove(entry);
    for (const Entry& part : parts)
        oracle.add(part);
}

void ask(Ledger& ledger, const std::array<Oracle, meter_count>& oracles, int questions) {
    for (int i = 0; i < questions; ++i) {
        const auto which = *rc::gen::inRange<std::size_t>(0, meter_count);
        const auto meter = static_cast<MeterKey>(which);
        const auto& oracle = oracles[which];
        const Instant t = some_instant();
        RC_ASSERT(ledger.entry_at(meter, t).value() == oracle.at(t));
        RC_ASSERT(ledger.entry_before(meter, t).value() == oracle.before(t));
        const Span span{t, t + *rc::gen::inRange(0, 300) * 1h};
        RC_ASSERT(ledger.entries(meter, span).value() == oracle.touching(span));
        const auto boot = *rc::gen::inRange<std::uint64_t>(0, 3);
        const auto seq = *rc::gen::inRange<std::uint64_t>(0, 16);
        RC_ASSERT(ledger.gap_of(meter, boot, seq).value() == oracle.hole(boot, seq));
    }
}

}  // namespace

TEST_CASE("queries for entries give the same as a search of a plain list") {
    rc::prop("random entries", [] {
        const TempDirectory directory;
        auto ledger = std::move(Ledger::open(directory / "ledger.db").value());
        std::array<Oracle, meter_count> oracles;
        std::array<Instant, meter_count> ends{start, start, start};

        RC_ASSERT(ledger->begin());
        const int changes = *rc::gen::inRange(0, 80);
        for (int i = 0; i < changes; ++i) {
            const auto which = *rc::gen::inRange<std::size_t>(0, meter_count);
            const auto meter = static_cast<MeterKey>(which);
            auto& oracle = oracles[which];
            const int choice = *rc::gen::inRange(0, 10);
            if (choice == 0 && !oracle.all().empty()) {
                const Entry entry = oracle.all()[*rc::gen::inRange<std::size_t>(0, oracle.all().size())];
                if (entry.kind == EntryKind::adjustment) continue;
                RC_ASSERT(ledger->remove_entry(meter, entry));
                oracle.remove(entry);
                continue;
            }
            if (choice == 2) {
                for (int left = *rc::gen::inRange(1, 20); left > 0; --left)
                    divide_one(*ledger, meter, oracle);
                continue;
            }
            const Entry entry = choice == 1 ? some_adjustment() : next_entry(ends[which]);
            if (choice != 1) ends[which] = entry.span.to;
            RC_ASSERT(ledger->add_entry(meter, entry));
            oracle.add(entry);
            const int pause = *rc::gen::inRange(0, 20);
            if (pause > 1) continue;
            RC_ASSERT(ledger->commit());
            if (pause == 1) {
                ledger.reset();
                ledger = std::move(Ledger::open(directory / "ledger.db").value());
            }
            RC_ASSERT(ledger->begin());
        }
        // Queries see entries that wait to be written.
        ask(*ledger, oracles, 3);
        RC_ASSERT(ledger->commit());

        ask(*ledger, oracles, 30);
    });
}

TEST_CASE("gaps in message numbers are a set: added, wrapped, overlapping, filled one by one") {
    rc::prop("random gaps in numbers of five bits", [] {
        const TempDirectory directory;
        auto ledger = std::move(Ledger::open(directory / "ledger.db").value());
        // Around 0, where a node's own counting wraps, and around 2^63, where SQLite's numbers do.
        const auto middle = *rc::gen::element<std::uint64_t>(0, std::uint64_t{1} << 63);
        std::set<std::uint64_t> missing;
        const int changes = *rc::gen::inRange(0, 40);
        for (int i = 0; i < changes; ++i) {
            const auto first = middle + *rc::gen::inRange<std::uint64_t>(0, 32) - 16;
            if (*rc::gen::inRange(0, 3) == 0) {
                const auto last = first + *rc::gen::inRange<std::uint64_t>(0, 8);
                RC_ASSERT(ledger->add_gap(1, 7, first, last));
                for (auto seq = first; seq != last + 1; ++seq)
                    missing.insert(seq);
            } else {
                RC_ASSERT(ledger->fill_gap(1, 7, first, first));
                missing.erase(first);
            }
        }
        for (std::uint64_t seq = middle - 20; seq != middle + 30; ++seq) {
            RC_ASSERT(ledger->in_gap(1, 7, seq).value() == (missing.count(seq) == 1));
            RC_ASSERT_FALSE(ledger->in_gap(2, 7, seq).value());
            RC_ASSERT_FALSE(ledger->in_gap(1, 8, seq).value());
        }
    });
}

TEST_CASE("a gap that wraps in the node's own bits has the numbers on both sides") {
    const TempDirectory directory;
    auto ledger = std::move(Ledger::open(directory / "ledger.db").value());
    REQUIRE(ledger->add_gap(1, 7, 0xFFFF'FFFE, 1));
    for (const std::uint64_t seq : {0xFFFF'FFFEu, 0xFFFF'FFFFu, 0u, 1u})
        CHECK(ledger->in_gap(1, 7, seq).value());
    for (const std::uint64_t seq : {0xFFFF'FFFDu, 2u})
        CHECK_FALSE(ledger->in_gap(1, 7, seq).value());
    REQUIRE(ledger->fill_gap(1, 7, 0, 0));
    CHECK_FALSE(ledger->in_gap(1, 7, 0).value());
    CHECK(ledger->in_gap(1, 7, 1).value());
    CHECK(ledger->in_gap(1, 7, 0xFFFF'FFFF).value());
}
