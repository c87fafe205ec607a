// From entries to the series and what is told of them.

#include <algorithm>

#include "book/bookkeeper.hpp"
#include "book/documents.hpp"
#include "book/store_failure.hpp"

namespace tickledger {

namespace {

// What one span longer than this is spread over is not published interval by interval: each would say the
// same again, and nothing that was seen in it.
constexpr Duration published_span_max = std::chrono::hours{24};

std::int64_t ticks_of(std::span<const Entry> entries) {
    std::int64_t sum = 0;
    for (const Entry& entry : entries)
        sum += entry.ticks;
    return sum;
}

std::string topic_of(const Account& account, std::string_view what) {
    return "meters/" + account.settings.id + "/" + std::string(what);
}

}  // namespace

void Bookkeeper::add(Account& account, std::span<const Entry> entries) {
    if (entries.empty()) return;
    for (const Entry& entry : entries)
        kept(ledger_.add_entry(account.key, entry));
    account.memory.total_ticks += ticks_of(entries);
    const Duration longest =
        std::max_element(entries.begin(), entries.end(), [](const Entry& a, const Entry& b) {
            return a.span.length() < b.span.length();
        })->span.length();
    publish_corrections(account, rows_.change(account, {}, entries), longest);
    for (const Entry& entry : entries) {
        if (entry.covers()) {
            account.memory.last_span = entry.span;
            account.memory.last_span_ticks = entry.ticks;
        } else {
            account.memory.last_span.reset();
        }
        night_watch_.follow(account, entry);
        slow_watch_.follow(account, entry);
        use_watch_.follow(account, entry);
    }
    close_until(account, account.rows.row_at(Step::interval, entries.back().span.to).from,
                longest <= published_span_max);
}

void Bookkeeper::replace(Account& account, const Entry& entry, std::span<const Entry> parts) {
    kept(ledger_.remove_entry(account.key, entry));
    for (const Entry& part : parts)
        kept(ledger_.add_entry(account.key, part));
    account.memory.total_ticks += ticks_of(parts) - entry.ticks;
    publish_corrections(account, rows_.change(account, {&entry, 1}, parts), entry.span.length());
    night_watch_.look_again(account, entry.span);
    account.has_news = true;
}

void Bookkeeper::publish_corrections(const Account& account, const std::vector<ChangedRow>& changed,
                                     Duration span) {
    for (const ChangedRow& row : changed) {
        if (!row.was_closed) continue;
        if (row.key.step == Step::interval && span <= published_span_max) {
            outbox_.publish(topic_of(account, "usage"),
                            usage_publication(row.span, row.row, account.settings, zone_), false);
        }
        // The topic holds the last closed day only.
        const bool is_last_day =
            row.key.step == Step::day &&
            zone_.row_at(Step::day, {}, *account.memory.closed_until).from == row.span.to;
        if (is_last_day) {
            outbox_.publish(topic_of(account, "day"),
                            day_publication(row.span, row.row, account.settings, zone_), true);
        }
    }
}

void Bookkeeper::close_until(Account& account, Instant until, bool publishes_intervals) {
    AccountMemory& memory = account.memory;
    if (!memory.closed_until || *memory.closed_until >= until) return;
    const Instant before = *memory.closed_until;
    if (publishes_intervals) {
        for (Instant begin = before; begin < until;) {
            const Span interval = account.rows.row_at(Step::interval, begin);
            // An interval without data closes without a word.
            if (const auto row = rows_.row({account.key, Step::interval, interval.from})) {
                outbox_.publish(topic_of(account, "usage"),
                                usage_publication(interval, *row, account.settings, zone_), false);
            }
            begin = interval.to;
        }
    }
    const Instant today = account.rows.row_at(Step::day, until).from;
    if (today > before) {
        const Span last_day = account.rows.row_at(Step::day, today - Duration{1});
        outbox_.publish(topic_of(account, "day"),
                        day_publication(last_day, rows_.row({account.key, Step::day, last_day.from}),
                                        account.settings, zone_),
                        true);
    }
    memory.closed_until = until;
    account.is_changed = true;
}

void Bookkeeper::finish(const LogPosition& next) {
    accounts_.for_each([&](Account& account) {
        if (account.has_news && account.memory.counter.last) {
            const Instant today = account.rows.row_at(Step::day, account.memory.counter.last->at).from;
            const auto row = rows_.row({account.key, Step::day, today});
            outbox_.publish(topic_of(account, "now"),
                            now_publication(summarise(account.memory, account.settings), row ? row->ticks : 0,
                                            account.settings, zone_),
                            true);
        }
        if (account.is_changed) kept(ledger_.set_state(account.key, to_json(account.memory)));
        account.has_news = account.is_changed = false;
    });
    rows_.flush();
    kept(ledger_.set_log_position(next));
    write_facts();
}

}  // namespace tickledger
