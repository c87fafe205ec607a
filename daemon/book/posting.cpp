#include "book/posting.hpp"

#include <algorithm>

#include "book/store_failure.hpp"

namespace tickledger {

namespace {

std::int64_t ticks_of(std::span<const Entry> entries) {
    std::int64_t sum = 0;
    for (const Entry& entry : entries)
        sum += entry.ticks;
    return sum;
}

}  // namespace

void Posting::add(Account& account, std::span<const Entry> entries) {
    if (entries.empty()) return;
    for (const Entry& entry : entries)
        value_or_throw(ledger_.add_entry(account.key, entry));
    account.memory().total_ticks += ticks_of(entries);
    const Duration longest =
        std::max_element(entries.begin(), entries.end(), [](const Entry& a, const Entry& b) {
            return a.span.length() < b.span.length();
        })->span.length();
    publications_.correct(account, rows_.change(account, {}, entries), longest);
    follower_.follow(account, {}, entries);
    desk_.clear_switched_off(account, entries.front().span.to);
    for (const Entry& entry : entries) {
        if (entry.covers()) {
            account.memory().last_span = entry.span;
            account.memory().last_span_ticks = entry.ticks;
        } else {
            account.memory().last_span.reset();
        }
        watches_.follow(account, entry);
    }
    close_until(account, account.rows.row_at(Step::interval, entries.back().span.to).from,
                Publications::are_intervals_told(longest));
}

void Posting::replace(Account& account, const Entry& entry, std::span<const Entry> parts) {
    value_or_throw(ledger_.replace_entry(account.key, entry, parts));
    account.memory().total_ticks += ticks_of(parts) - entry.ticks;
    publications_.correct(account, rows_.change(account, {&entry, 1}, parts), entry.span.length());
    follower_.follow(account, {&entry, 1}, parts);
    watches_.night.look_again(account, entry.span);
    account.has_news = true;
}

void Posting::close_until(Account& account, Instant until, bool tells_intervals) {
    AccountMemory& memory = account.memory();
    if (!memory.closed_until || *memory.closed_until >= until) return;
    const Instant before = *memory.closed_until;
    if (tells_intervals) publications_.close_intervals(account, {before, until});
    const Instant today = account.rows.row_at(Step::day, until).from;
    if (today > before) publications_.tell_day(account, account.rows.row_at(Step::day, today - Duration{1}));
    memory.closed_until = until;
    account.is_changed = true;
}

}  // namespace tickledger
