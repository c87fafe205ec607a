// From an event to entries: the order of things within a batch.

#include "book/bookkeeper.hpp"

#include <fmt/format.h>

#include <algorithm>

#include "book/documents.hpp"
#include "book/store_failure.hpp"

namespace tickledger {

namespace {

constexpr std::size_t packs_remembered = 16;
constexpr std::size_t set_aside_max = 16;
constexpr std::size_t payload_kept_bytes = 1024;

/// A pack that says the same again right away is the broker's or the node's repetition. Half a cadence later
/// it is news: that nothing ran. A pack that waited can only be a repetition.
bool is_repeated_pack(Account& account, const Message& message, bool waited) {
    auto& packs = account.memory.recent_packs;
    const std::uint64_t print = fingerprint(message.payload);
    const bool repeated = std::any_of(packs.begin(), packs.end(), [&](const RecentPack& pack) {
        return pack.fingerprint == print &&
               (waited || message.arrived_at - pack.arrived_at < account.settings.cadence / 2);
    });
    if (repeated) return true;
    packs.push_back({print, message.arrived_at});
    if (packs.size() > packs_remembered) packs.erase(packs.begin());
    return false;
}

}  // namespace

Bookkeeper::Bookkeeper(const std::vector<MeterSettings>& meters, CivilZone zone, Ledger& ledger,
                       Publishing publishing, std::size_t max_meters)
    : zone_(std::move(zone)),
      ledger_(ledger),
      outbox_(ledger, publishing),
      accounts_(meters, max_meters, zone_, ledger),
      rows_(ledger),
      desk_(zone_, ledger, outbox_),
      night_watch_(zone_, ledger, desk_),
      slow_watch_(zone_, desk_),
      use_watch_(zone_, desk_) {}

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
        return tl::unexpected(failure.error());
    }
}

Result<void> Bookkeeper::load() {
    // Opening accounts may add meters to the ledger.
    const auto done = in_transaction([&] { load_all(); });
    is_loaded_ = done.has_value();
    return done;
}

Result<void> Bookkeeper::load(const std::vector<MeterSettings>& meters, std::size_t max_meters) {
    accounts_.use(meters, max_meters);
    return load();
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
    // What is in memory may be ahead of the ledger after a failure; the ledger is right.
    is_loaded_ = done.has_value();
    return done;
}

Result<bool> Bookkeeper::pack_oldest_day(Instant before) {
    bool packed = false;
    return in_transaction([&] { packed = value_or_throw(ledger_.pack_oldest_day(before)); }).map([&] {
        return packed;
    });
}

Result<void> Bookkeeper::remove_fine_detail(Instant before) {
    for (bool removed = true; removed;) {
        const auto done = in_transaction([&] {
            removed = value_or_throw(ledger_.remove_oldest_day(before));
            if (removed) keep_fine_detail_from(before);
        });
        if (!done) return done;
    }
    return {};
}

Result<void> Bookkeeper::publish_last_state() {
    return in_transaction([&] { outbox_.publish_last_state(); });
}

void Bookkeeper::take(const Delivery& delivery) {
    // A recording may hold lines that are out of order; the clock never runs back.
    const Instant at = std::max(time_of(delivery.event), settled_until_.value_or(Instant::min()));
    run_clock(at);
    if (const auto* message = std::get_if<Message>(&delivery.event)) {
        take_message(*message, delivery);
    } else if (const auto* instruction = std::get_if<Instruction>(&delivery.event)) {
        take_instruction(*instruction);
    } else {
        take_link(std::get<LinkChange>(delivery.event));
    }
}

void Bookkeeper::take_message(const Message& message, const Delivery& delivery) {
    ++counts_.booked;
    const auto& fed = accounts_.fed_by(message.topic);
    if (fed.empty()) ++counts_.without_meter;
    for (Account* account : fed) {
        if (!delivery.waited && !message.retained) heard(*account, message.arrived_at);
        take_payload(*account, message, delivery);
        schedule(*account);
    }
}

void Bookkeeper::take_payload(Account& account, const Message& message, const Delivery& delivery) {
    account.is_changed = true;
    const auto readings = decode(message.payload, account.settings, message.arrived_at);
    if (!readings) {
        refuse(account, Refusal::unreadable, message.arrived_at, message.topic, message.payload,
               readings.error().text);
        return;
    }
    if (account.settings.message == MessageForm::senml && is_repeated_pack(account, message, delivery.waited))
        return;
    for (const Reading& reading : *readings)
        take_reading(account, reading, message, delivery);
}

void Bookkeeper::take_reading(Account& account, const Reading& reading, const Message& message,
                              const Delivery& delivery) {
    const CounterState before = account.memory.counter;
    const Circumstances came = circumstances(account, reading, message, delivery);
    const Booking booking = tickledger::book(account.memory.counter, reading, came, account.rules);
    const bool is_news = booking.outcome != Outcome::repeat && booking.outcome != Outcome::late;
    if (is_news) account.memory.clock_disbelieved = booking.clock_disbelieved;
    if (booking.outcome == Outcome::late) {
        settle_late(account, reading, booking, message);
        return;
    }
    if (booking.outcome == Outcome::repeat) remember_waited(account, reading, came);
    settle(account, booking, before, message);
}

/// A message that had waited and told no more ticks booked nothing, and yet it did come: where its number
/// lies ahead, it must be known when it comes again. (A retained copy is another matter: the message itself
/// may still be on its way.)
void Bookkeeper::remember_waited(Account& account, const Reading& reading, const Circumstances& came) {
    const auto& last = account.memory.counter.last;
    const auto& held = account.memory.counter.held;
    const bool has_number = reading.boot && reading.seq && last && last->boot == reading.boot && last->seq;
    if (!has_number || !came.waited || came.retained || came.already_accepted) return;
    const bool is_held =
        held && held->observation.boot == reading.boot && held->observation.seq == reading.seq;
    const bool is_ahead = account.rules.seq_distance(*last->seq, *reading.seq) > 0;
    if (is_ahead && !is_held) put_aside(account, {*reading.boot, *reading.seq});
}

void Bookkeeper::put_aside(Account& account, const MessageNumber& number) {
    auto& aside = account.memory.set_aside;
    aside.push_back(number);
    if (aside.size() > set_aside_max) aside.erase(aside.begin());
    account.is_changed = true;
}

Circumstances Bookkeeper::circumstances(const Account& account, const Reading& reading,
                                        const Message& message, const Delivery& delivery) {
    Circumstances came;
    came.arrived_at = message.arrived_at;
    came.waited = delivery.waited;
    came.behind = delivery.behind;
    came.retained = message.retained;
    const auto& last = account.memory.counter.last;
    if (!reading.boot || !last) return came;
    const auto& aside = account.memory.set_aside;
    if (reading.seq) {
        const MessageNumber number{*reading.boot, *reading.seq};
        came.already_accepted = std::find(aside.begin(), aside.end(), number) != aside.end();
        if (came.already_accepted) return came;
    }
    const bool same_boot = last->boot == reading.boot;
    const bool moves_on =
        same_boot && reading.seq && last->seq && account.rules.seq_distance(*last->seq, *reading.seq) > 0;
    if (moves_on) return came;
    const auto& held = account.memory.counter.held;
    if (!same_boot && held && held->observation.boot == reading.boot) return came;
    const auto boot = value_or_throw(ledger_.boot(account.key, *reading.boot));
    if (!boot) return came;
    came.boot_already_left = !same_boot;
    if (!reading.seq || !boot->first_seq) return came;
    const auto& last_seq = same_boot ? last->seq : boot->last_seq;
    const bool within = last_seq && account.rules.seq_distance(*boot->first_seq, *reading.seq) >= 0 &&
                        account.rules.seq_distance(*reading.seq, *last_seq) >= 0;
    came.already_accepted =
        within && !value_or_throw(ledger_.in_gap(account.key, *reading.boot, *reading.seq));
    return came;
}

void Bookkeeper::settle(Account& account, const Booking& booking, const CounterState& before,
                        const Message& message) {
    AccountMemory& memory = account.memory;
    if (booking.stray) {
        const HeldMessage held =
            memory.held_message.value_or(HeldMessage{booking.stray->at, message.topic, ""});
        ++counts_.stray;
        use_watch_.stray(account, booking.stray->at);
        refuse(account, Refusal::stray, held.arrived_at, held.topic, held.payload,
               fmt::format("{} at {} fits neither what came before nor what came after it",
                           booking.stray->count, zone_.format(booking.stray->at)));
    }
    if (!memory.counter.held) memory.held_message.reset();
    if (booking.outcome == Outcome::held) {
        memory.held_message = {message.arrived_at, message.topic,
                               message.payload.substr(0, payload_kept_bytes)};
    }
    if (booking.outcome == Outcome::repeat) return;
    account.has_news = true;
    remember_order(account, before, booking);
    set_aside(account, before, booking);
    if (!memory.closed_until && memory.counter.last) {
        const Instant begin =
            booking.entries().empty() ? memory.counter.last->at : booking.entries().front().span.from;
        memory.closed_until = account.rows.row_at(Step::interval, begin).from;
        memory.meter_register.first_at = begin;
        night_watch_.begin(account, begin);
    }
    add(account, booking.entries());
}

void Bookkeeper::remember_order(const Account& account, const CounterState& before, const Booking& booking) {
    std::optional<Observation> previous = before.last;
    for (const Observation& observation : booking.accepted()) {
        const bool new_boot = observation.boot && (!previous || previous->boot != observation.boot);
        if (new_boot) {
            if (previous && previous->boot) {
                auto left = value_or_throw(ledger_.boot(account.key, *previous->boot));
                if (left) {
                    left->last_seq = previous->seq;
                    value_or_throw(ledger_.put_boot(account.key, *left));
                }
            }
            value_or_throw(
                ledger_.put_boot(account.key, {*observation.boot, observation.seq, observation.seq}));
        } else if (observation.boot && observation.seq && previous && previous->seq &&
                   account.rules.seq_distance(*previous->seq, *observation.seq) > 1) {
            value_or_throw(ledger_.add_gap(account.key, *observation.boot,
                                           account.rules.seq_after(*previous->seq),
                                           account.rules.seq_before(*observation.seq)));
        }
        previous = observation;
    }
}

/// A message that was held and not booked did come, though it has no place in the order. Where the order has
/// passed it, its number is no gap; until then it is remembered here.
void Bookkeeper::set_aside(Account& account, const CounterState& before, const Booking& booking) {
    AccountMemory& memory = account.memory;
    const auto& held = before.held;
    if (held && held != memory.counter.held && held->observation.boot && held->observation.seq) {
        const auto accepted = booking.accepted();
        const bool has_place =
            std::any_of(accepted.begin(), accepted.end(), [&](const Observation& observation) {
                return observation.boot == held->observation.boot && observation.seq == held->observation.seq;
            });
        if (!has_place) put_aside(account, {*held->observation.boot, *held->observation.seq});
    }
    const auto& last = memory.counter.last;
    std::erase_if(memory.set_aside, [&](const MessageNumber& number) {
        const bool is_passed = last && last->boot == number.boot && last->seq &&
                               account.rules.seq_distance(number.seq, *last->seq) >= 0;
        if (is_passed) note_passed(account, number);
        return is_passed;
    });
}

/// The order has passed a message that came and was not booked: it is not awaited any more. It may have been
/// its boot's first, though another was the first to be booked, or the last before the node left that boot.
void Bookkeeper::note_passed(const Account& account, const MessageNumber& number) {
    auto boot = value_or_throw(ledger_.boot(account.key, number.boot));
    if (!boot || !boot->first_seq) return;
    const CounterRules& rules = account.rules;
    const auto& last = account.memory.counter.last;
    const bool is_left = !last || last->boot != number.boot;
    std::optional<std::pair<std::uint64_t, std::uint64_t>> between;  // Both known, nothing known in between.
    if (rules.seq_distance(*boot->first_seq, number.seq) < 0) {
        between = {number.seq, *boot->first_seq};
        boot->first_seq = number.seq;
    } else if (is_left && boot->last_seq && rules.seq_distance(*boot->last_seq, number.seq) > 0) {
        between = {*boot->last_seq, number.seq};
        boot->last_seq = number.seq;
    } else {
        value_or_throw(ledger_.fill_gap(account.key, number.boot, number.seq));
        return;
    }
    if (rules.seq_distance(between->first, between->second) > 1) {
        value_or_throw(ledger_.add_gap(account.key, number.boot, rules.seq_after(between->first),
                                       rules.seq_before(between->second)));
    }
    value_or_throw(ledger_.put_boot(account.key, *boot));
}

void Bookkeeper::settle_late(Account& account, const Reading& reading, const Booking& booking,
                             const Message& message) {
    const bool is_numbered = reading.boot && reading.seq;
    std::optional<Entry> entry;
    LateBooking late;
    if (account.rules.pulses) {
        if (is_numbered) entry = value_or_throw(ledger_.gap_of(account.key, *reading.boot, *reading.seq));
        if (entry) late = fill(*entry, reading, account.rules);
    } else if (booking.late_at) {
        entry = value_or_throw(ledger_.entry_at(account.key, *booking.late_at));
        if (entry) {
            const auto before = value_or_throw(ledger_.entry_before(account.key, entry->span.from));
            const Mark mark = before ? before->end : Mark{entry->begin_count, 0, 0};
            late = divide(*entry, mark, reading, *booking.late_at, account.rules);
        }
    } else {
        // It tells neither when it was nor anything that later ones did not. A time that is not believed now
        // might be when it comes again.
        if (!booking.clock_disbelieved) return;
        late.fit = LateBooking::Fit::known;
    }
    // Whatever becomes of it, it is not awaited any more, and nothing when it comes again.
    if (is_numbered) note_passed(account, {*reading.boot, *reading.seq});
    if (late.fit == LateBooking::Fit::divides) replace(account, *entry, late.parts());
    if (late.fit != LateBooking::Fit::contradicts) return;
    const std::string when =
        booking.late_at ? "at " + zone_.format(*booking.late_at) : "without a time of its own";
    const bool is_new =
        refuse(account, Refusal::late, message.arrived_at, message.topic, message.payload,
               fmt::format("it came late, and {} {} does not fit what was booked then", reading.count, when));
    if (is_new) ++counts_.late_refused;
}

bool Bookkeeper::refuse(Account& account, Refusal reason, Instant at, const std::string& topic,
                        const std::string& payload, const std::string& text) {
    if (reason == Refusal::unreadable) ++counts_.unreadable;
    return value_or_throw(ledger_.add_refused({.meter = account.key,
                                               .at = at,
                                               .reason = reason,
                                               .topic = topic,
                                               .payload = payload.substr(0, payload_kept_bytes),
                                               .text = text}));
}

}  // namespace tickledger
