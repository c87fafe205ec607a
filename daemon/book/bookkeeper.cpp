// Turns events into a committed batch: the order of the work within a transaction.

#include "book/bookkeeper.hpp"

#include <algorithm>

#include "book/store_failure.hpp"

namespace tickledger {

Bookkeeper::Bookkeeper(const std::vector<MeterSettings>& meters, CivilZone zone, Ledger& ledger,
                       Publishing publishing, std::size_t max_meters)
    : zone_(std::move(zone)),
      ledger_(ledger),
      outbox_(ledger, publishing),
      accounts_(meters, max_meters, zone_, ledger),
      rows_(ledger, facts_.fine_detail_from),
      desk_(zone_, ledger, outbox_),
      watches_(zone_, ledger, desk_, facts_.link),
      publications_(zone_, outbox_, rows_),
      follower_(zone_, ledger, rows_, publications_, facts_.fine_detail_from),
      posting_(ledger, rows_, publications_, follower_, desk_, watches_),
      messages_(zone_, ledger, posting_, watches_, facts_.counts, odd_),
      deadlines_(accounts_, desk_, watches_, posting_, messages_),
      history_(zone_, ledger_, rows_),
      instructions_(accounts_, desk_, follower_, history_, ledger_) {}

Result<void> Bookkeeper::in_transaction(const std::function<void()>& work) {
    try {
        value_or_throw(ledger_.begin());
        work();
        value_or_throw(ledger_.commit());
        outbox_.committed();
        return {};
    } catch (const StoreFailure& failure) {
        ledger_.roll_back();
        outbox_.rolled_back();
        // The memory may be ahead of the ledger now. The ledger is right, so the next batch loads it again.
        is_loaded_ = false;
        return tl::unexpected(failure.error());
    }
}

Result<void> Bookkeeper::load() {
    // In a transaction, because opening accounts may add meters to the ledger.
    return in_transaction([&] {
        load_all();
        is_loaded_ = true;
    });
}

Result<void> Bookkeeper::load(const std::vector<MeterSettings>& meters, std::size_t max_meters) {
    accounts_.use(meters, max_meters);
    unmatched_.reset();
    return load();
}

void Bookkeeper::load_all() {
    rows_.forget();
    publications_.forget();
    outbox_.forget();
    deadlines_.forget();
    facts_ = load_facts(ledger_);
    accounts_.load();
    deadlines_.schedule_all();
    owe_now();
}

/// It is not known after a load whose `now` still waited, so all accounts are marked as having news.
void Bookkeeper::owe_now() {
    now_due_.reset();
    if (!facts_.now_waits || !outbox_.takes_all()) return;
    now_due_ = facts_.settled_until;
    accounts_.for_each([&](Account& account) { account.has_news = true; });
}

Result<void> Bookkeeper::book(const Batch& batch) {
    if (!is_loaded_) {
        if (const auto loaded = load(); !loaded) return loaded;
    }
    const auto done = in_transaction([&] {
        for (const Delivery& delivery : batch.deliveries)
            take(delivery);
        if (batch.until) run_clock(*batch.until);
        for (const std::int64_t id : batch.published)
            value_or_throw(ledger_.remove_outgoing(id));
        finish(batch.next);
    });
    if (!done) static_cast<void>(odd_.take());
    return done;
}

Result<bool> Bookkeeper::pack_oldest(Instant before) {
    bool packed = false;
    return in_transaction([&] { packed = value_or_throw(ledger_.pack_oldest(before)); }).map([&] {
        return packed;
    });
}

Result<void> Bookkeeper::remove_fine_detail(Instant before, std::int64_t later_days) {
    for (std::optional<Instant> removed_to = before; removed_to;) {
        const auto done = in_transaction([&] {
            removed_to = value_or_throw(ledger_.remove_oldest_day(before, later_days));
            if (!removed_to) return;
            facts_.fine_detail_from = *removed_to;
            store_fine_detail_from(ledger_, *facts_.fine_detail_from);
        });
        if (!done) return done;
    }
    return {};
}

Result<void> Bookkeeper::end_recording() {
    return in_transaction([&] {
        accounts_.for_each([&](Account& account) { messages_.end_backlog(account); });
        finish(value_or_throw(ledger_.log_position()));
    });
}

Result<void> Bookkeeper::publish_last_state() {
    return in_transaction([&] {
        accounts_.for_each([&](Account& account) {
            if (account.has_news && account.memory().counter.last) publications_.tell_now(account);
            account.has_news = false;
        });
        outbox_.publish_last_state();
    });
}

void Bookkeeper::take(const Delivery& delivery) {
    // A recording may hold lines that are out of order, but the clock never runs back.
    run_clock(std::max(time_of(delivery.event), facts_.settled_until.value_or(Instant::min())));
    if (const auto* message = std::get_if<Message>(&delivery.event)) {
        take_message(*message, delivery);
    } else if (const auto* instruction = std::get_if<Instruction>(&delivery.event)) {
        if (Account* account = instructions_.take(*instruction)) {
            // Publishes `now` without waiting for its turn: whoever gave the instruction looks for its
            // effect.
            account->now_told_at = Instant::min();
            deadlines_.schedule(*account);
        }
    } else if (const auto* change = std::get_if<LinkChange>(&delivery.event)) {
        take_link(*change);
    }
}

void Bookkeeper::take_message(const Message& message, const Delivery& delivery) {
    ++facts_.counts.booked;
    const auto fed = accounts_.fed_by(message.topic);
    // A topic that would open a meter too many is reported separately.
    if (fed.empty() && !accounts_.is_turned_away(message.topic)) {
        odd_.note({OddMessage::Kind::unmatched, {}, message.topic, {}});
        unmatched_ = {message.topic, message.arrived_at};
    }
    if (fed.empty()) ++facts_.counts.without_meter;
    for (Account* account : fed) {
        if (!delivery.waited && !message.retained) {
            watches_.silence.hear(*account, message.arrived_at);
            // A log that begins with a message has no line about the link, but the link must have been up.
            if (!facts_.link.since)
                take_link({.at = message.arrived_at, .up = true, .session_present = false});
        }
        messages_.take(*account, message, delivery);
        deadlines_.schedule(*account);
    }
}

void Bookkeeper::take_link(const LinkChange& change) {
    facts_.link = {change.up, change.at};
    if (change.up) deadlines_.schedule_all();
}

void Bookkeeper::run_clock(Instant until) {
    deadlines_.meet_until(until);
    facts_.settled_until = std::max(until, facts_.settled_until.value_or(until));
}

void Bookkeeper::tell_now() {
    now_due_.reset();
    accounts_.for_each([&](Account& account) {
        if (!account.has_news) return;
        const bool was_asleep = !account.is_awake();
        const auto due = publications_.tell_now_in_turn(account, facts_.settled_until);
        if (was_asleep) account.sleep();
        if (due && (!now_due_ || *due < *now_due_)) now_due_ = due;
    });
    if (facts_.now_waits == now_due_.has_value()) return;
    facts_.now_waits = now_due_.has_value();
    store_now_waits(ledger_, facts_.now_waits);
}

void Bookkeeper::finish(const LogPosition& next) {
    publications_.tell_corrections();
    // A replay publishes `now` once, at its end.
    if (outbox_.takes_all()) tell_now();
    accounts_.for_each([&](Account& account) {
        if (account.is_changed) value_or_throw(ledger_.set_state(account.key, account.write_record()));
        account.is_changed = false;
    });
    rows_.flush();
    value_or_throw(ledger_.set_log_position(next));
    store_facts(ledger_, facts_);
    accounts_.rest();
}

}  // namespace tickledger
