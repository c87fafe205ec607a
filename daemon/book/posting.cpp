// From entries to the series and what is told of them.

#include <algorithm>

#include "book/bookkeeper.hpp"
#include "book/documents.hpp"
#include "book/store_failure.hpp"
#include "book/valuation.hpp"

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
    return "meters/" + account.id + "/" + std::string(what);
}

}  // namespace

void Bookkeeper::add(Account& account, std::span<const Entry> entries) {
    if (entries.empty()) return;
    for (const Entry& entry : entries)
        value_or_throw(ledger_.add_entry(account.key, entry));
    account.memory.total_ticks += ticks_of(entries);
    const Duration longest =
        std::max_element(entries.begin(), entries.end(), [](const Entry& a, const Entry& b) {
            return a.span.length() < b.span.length();
        })->span.length();
    publish_corrections(account, rows_.change(account, {}, entries), longest);
    follow_register(account, {}, entries);
    desk_.clear_switched_off(account, entries.front().span.to);
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
    value_or_throw(ledger_.remove_entry(account.key, entry));
    for (const Entry& part : parts)
        value_or_throw(ledger_.add_entry(account.key, part));
    account.memory.total_ticks += ticks_of(parts) - entry.ticks;
    publish_corrections(account, rows_.change(account, {&entry, 1}, parts), entry.span.length());
    follow_register(account, {&entry, 1}, parts);
    night_watch_.look_again(account, entry.span);
    account.has_news = true;
}

void Bookkeeper::publish_corrections(const Account& account, const std::vector<ChangedRow>& changed,
                                     Duration span) {
    for (const ChangedRow& row : changed) {
        if (!row.was_closed) continue;
        if (row.key.step == Step::interval && span <= published_span_max && outbox_.takes_all()) {
            outbox_.publish(topic_of(account, "usage"), publication_of(account, row.span, row.row), false);
        }
        // The topic holds the last closed day only.
        const bool is_last_day =
            row.key.step == Step::day &&
            zone_.row_at(Step::day, {}, *account.memory.closed_until).from == row.span.to;
        if (is_last_day) publish_day(account, row.span);
    }
}

void Bookkeeper::publish_day(const Account& account, Span day) {
    outbox_.publish(topic_of(account, "day"),
                    publication_of(account, day, rows_.row(account, Step::day, day.from)), true);
}

std::string Bookkeeper::publication_of(const Account& account, Span span, const std::optional<Row>& row) {
    return row_publication(account.id, span, row, value_row(account, span, row ? row->ticks : 0), zone_);
}

std::vector<ValuedTicks> Bookkeeper::value_row(const Account& account, Span row, std::int64_t ticks) {
    const PulseValues values = pulse_values(account.settings, account.memory.meter_register, zone_);
    return value_or_throw(valued_row(row, ticks, values, zone_, [&](Step step, Instant begin) {
        return ticks_of_row(account, step, begin);
    }));
}

void Bookkeeper::close_until(Account& account, Instant until, bool publishes_intervals) {
    AccountMemory& memory = account.memory;
    if (!memory.closed_until || *memory.closed_until >= until) return;
    const Instant before = *memory.closed_until;
    if (publishes_intervals && outbox_.takes_all()) {
        for (Instant begin = before; begin < until;) {
            const Span interval = account.rows.row_at(Step::interval, begin);
            // An interval without data closes without a word.
            if (const auto row = rows_.row(account, Step::interval, interval.from)) {
                outbox_.publish(topic_of(account, "usage"), publication_of(account, interval, row), false);
            }
            begin = interval.to;
        }
    }
    const Instant today = account.rows.row_at(Step::day, until).from;
    if (today > before) publish_day(account, account.rows.row_at(Step::day, today - Duration{1}));
    memory.closed_until = until;
    account.is_changed = true;
}

void Bookkeeper::publish_now(Account& account) {
    const Span today = account.rows.row_at(Step::day, account.memory.counter.last->at);
    const auto row = rows_.row(account, Step::day, today.from);
    const RegisterMemory& memory = account.memory.meter_register;
    const PulseValues values = pulse_values(account.settings, memory, zone_);
    const auto total = value_or_throw(
        valued_total(account.memory.total_ticks, memory, values, zone_,
                     [&](Step step, Instant begin) { return ticks_of_row(account, step, begin); }));
    const std::string register_m3 = register_m3_text(total, account.settings, memory);
    outbox_.publish(topic_of(account, "now"),
                    now_publication(summarise(account.memory, account.settings, zone_), register_m3,
                                    value_row(account, today, row ? row->ticks : 0), zone_),
                    true);
}

void Bookkeeper::finish(const LogPosition& next) {
    accounts_.for_each([&](Account& account) {
        if (account.has_news && account.memory.counter.last) {
            publish_now(account);
        }
        if (account.is_changed) value_or_throw(ledger_.set_state(account.key, to_json(account.memory)));
        account.has_news = account.is_changed = false;
    });
    rows_.flush();
    value_or_throw(ledger_.set_log_position(next));
    write_facts();
}

}  // namespace tickledger
