#include "book/message_desk.hpp"

#include <fmt/format.h>

#include <algorithm>

#include "book/store_failure.hpp"

namespace tickledger {

namespace {

constexpr std::size_t packs_remembered = 16;
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

HeldMessage kept(const Message& message) {
    return {message.arrived_at, message.topic, message.payload.substr(0, payload_kept_bytes)};
}

}  // namespace

void MessageDesk::take(Account& account, const Message& message, const Delivery& delivery) {
    account.is_changed = true;
    const auto readings = decode(message.payload, account.settings, message.arrived_at);
    if (!readings) {
        ++counts_.unreadable;
        refuse(account, Refusal::unreadable, kept(message), readings.error().text);
        return;
    }
    if (account.settings.message == MessageForm::senml && is_repeated_pack(account, message, delivery.waited))
        return;
    for (const Reading& reading : *readings)
        take_reading(account, reading, message, delivery);
}

void MessageDesk::take_reading(Account& account, const Reading& reading, const Message& message,
                               const Delivery& delivery) {
    const CounterState before = account.memory.counter;
    const Circumstances came = order_.circumstances(account, reading, delivery, message);
    const Booking booking = book(account.memory.counter, reading, came, account.rules);
    if (booking.outcome == Outcome::late) return post_late(account, reading, booking, message);
    if (booking.outcome == Outcome::repeat) {
        order_.remember_waited(account, reading, came);
    } else {
        account.memory.clock_disbelieved = booking.clock_disbelieved;
    }
    follow_held(account, booking, message);
    if (booking.outcome != Outcome::repeat) post(account, booking, before);
}

/// A held message is kept while it is held, for the list of refused ones should it turn out a stray.
void MessageDesk::follow_held(Account& account, const Booking& booking, const Message& message) {
    AccountMemory& memory = account.memory;
    if (booking.stray) {
        ++counts_.stray;
        watches_.use.stray(account, booking.stray->at);
        refuse(account, Refusal::stray,
               memory.held_message.value_or(HeldMessage{booking.stray->at, message.topic, ""}),
               fmt::format("{} at {} fits neither what came before nor what came after it",
                           booking.stray->count, zone_.format(booking.stray->at)));
    }
    if (!memory.counter.held) memory.held_message.reset();
    if (booking.outcome == Outcome::held) memory.held_message = kept(message);
}

void MessageDesk::post(Account& account, const Booking& booking, const CounterState& before) {
    AccountMemory& memory = account.memory;
    account.has_news = true;
    order_.advance(account, before, booking);
    if (!memory.closed_until && memory.counter.last) {
        const Instant begin =
            booking.entries().empty() ? memory.counter.last->at : booking.entries().front().span.from;
        memory.closed_until = account.rows.row_at(Step::interval, begin).from;
        memory.meter_register.first_at = begin;
        watches_.night.begin(account, begin);
    }
    posting_.add(account, booking.entries());
}

void MessageDesk::post_late(Account& account, const Reading& reading, const Booking& booking,
                            const Message& message) {
    const auto entry = entry_of_late(account, reading, booking);
    LateBooking late;
    if (entry) {
        late = book_late(account, *entry, reading, booking);
    } else if (!account.rules.pulses && !booking.late_at) {
        // It tells neither when it was nor anything that later ones did not. A time that is not believed now
        // might be when it comes again.
        if (!booking.clock_disbelieved) return;
        late.fit = LateBooking::Fit::known;
    }
    // Whatever becomes of it, it is not awaited any more, and nothing when it comes again.
    if (reading.boot && reading.seq) order_.note_passed(account, {*reading.boot, *reading.seq});
    if (late.fit == LateBooking::Fit::divides) posting_.replace(account, *entry, late.parts());
    if (late.fit != LateBooking::Fit::contradicts) return;
    const std::string when =
        booking.late_at ? "at " + zone_.format(*booking.late_at) : "without a time of its own";
    const bool is_new =
        refuse(account, Refusal::late, kept(message),
               fmt::format("it came late, and {} {} does not fit what was booked then", reading.count, when));
    if (is_new) ++counts_.late_refused;
}

/// The entry that a late reading belongs into: by its number for pulses, by its time for counts.
std::optional<Entry> MessageDesk::entry_of_late(const Account& account, const Reading& reading,
                                                const Booking& booking) {
    if (!account.rules.pulses)
        return booking.late_at ? value_or_throw(ledger_.entry_at(account.key, *booking.late_at))
                               : std::nullopt;
    return reading.boot && reading.seq
               ? value_or_throw(ledger_.gap_of(account.key, *reading.boot, *reading.seq))
               : std::nullopt;
}

LateBooking MessageDesk::book_late(const Account& account, const Entry& entry, const Reading& reading,
                                   const Booking& booking) {
    if (account.rules.pulses) return fill(entry, reading, account.rules);
    const auto before = value_or_throw(ledger_.entry_before(account.key, entry.span.from));
    const Mark mark = before ? before->end : Mark{entry.begin_count, 0, 0};
    return divide(entry, mark, reading, *booking.late_at, account.rules);
}

bool MessageDesk::refuse(Account& account, Refusal reason, const HeldMessage& message,
                         const std::string& text) {
    return value_or_throw(ledger_.add_refused({.meter = account.key,
                                               .at = message.arrived_at,
                                               .reason = reason,
                                               .topic = message.topic,
                                               .payload = message.payload,
                                               .text = text}));
}

}  // namespace tickledger
