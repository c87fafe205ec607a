#include "book/publications.hpp"

#include <utility>

#include "book/documents.hpp"
#include "book/store_failure.hpp"
#include "book/valuation.hpp"

namespace tickledger {

void Publications::tell(const Account& account, MeterPublication::Kind kind, std::string payload) {
    outbox_.publish({.kind = kind, .meter = account.id, .payload = std::move(payload)});
}

void Publications::correct(const Account& account, const std::vector<ChangedRow>& changed,
                           Duration longest_entry) {
    for (const ChangedRow& row : changed) {
        if (!row.was_closed) continue;
        if (row.key.step == Step::interval && are_intervals_told(longest_entry) && outbox_.takes_all())
            intervals_.insert_or_assign(row.key, Corrected{&account, row.span});
        const bool is_last_day =
            row.key.step == Step::day &&
            zone_.row_at(Step::day, {}, *account.memory().closed_until).from == row.span.to;
        if (is_last_day) days_.insert_or_assign(account.key, Corrected{&account, row.span});
    }
}

void Publications::tell_corrections() {
    for (const auto& [key, corrected] : std::exchange(intervals_, {})) {
        const Account& account = *corrected.account;
        tell(account, MeterPublication::Kind::usage,
             document_of(account, corrected.span, rows_.row(account, key.step, key.start)));
    }
    for (const auto& [key, corrected] : std::exchange(days_, {}))
        tell_day(*corrected.account, corrected.span);
}

void Publications::forget() {
    intervals_.clear();
    days_.clear();
}

void Publications::close_intervals(Account& account, Span closed) {
    if (!outbox_.takes_all()) return;
    for (Instant begin = closed.from; begin < closed.to;) {
        const Span interval = account.rows.row_at(Step::interval, begin);
        if (const auto row = rows_.row(account, Step::interval, interval.from))
            tell(account, MeterPublication::Kind::usage, document_of(account, interval, row));
        begin = interval.to;
    }
}

void Publications::tell_day(const Account& account, Span day) {
    days_.erase(account.key);
    tell(account, MeterPublication::Kind::day,
         document_of(account, day, rows_.row(account, Step::day, day.from)));
}

std::optional<Instant> Publications::tell_now_in_turn(Account& account, std::optional<Instant> moment) {
    if (!account.has_news) return std::nullopt;
    const Instant told_at = account.now_told_at;
    // If a new recording sets the clock back, nobody has to wait.
    if (moment && told_at <= *moment && *moment - now_every < told_at) return told_at + now_every;
    if (!account.memory().counter.last) return std::nullopt;
    tell_now(account);
    account.now_told_at = moment.value_or(told_at);
    account.has_news = false;
    return std::nullopt;
}

void Publications::tell_now(Account& account) {
    const Span today = account.rows.row_at(Step::day, account.memory().counter.last->at);
    const auto row = rows_.row(account, Step::day, today.from);
    const RegisterMemory& memory = account.memory().meter_register;
    const PulseValues values = pulse_values(account.settings, memory, zone_);
    const auto total = value_or_throw(
        valued_total(account.memory().total_ticks, memory, values, zone_, rows_.ticks_of(account)));
    const std::string register_m3 = register_m3_text(total, account.settings, memory);
    tell(account, MeterPublication::Kind::now,
         now_publication(summarise(account.memory(), account.settings, zone_), register_m3,
                         value_row(account, today, row ? row->ticks : 0), zone_));
}

std::string Publications::document_of(const Account& account, Span span, const std::optional<Row>& row) {
    return row_publication(account.id, account.settings, span, row,
                           value_row(account, span, row ? row->ticks : 0), zone_);
}

std::vector<ValuedTicks> Publications::value_row(const Account& account, Span row, std::int64_t ticks) {
    const PulseValues values = pulse_values(account.settings, account.memory().meter_register, zone_);
    return value_or_throw(valued_row(row, ticks, values, zone_, rows_.ticks_of(account)));
}

}  // namespace tickledger
