#include "book/message_desk.hpp"

#include <fmt/format.h>

#include <algorithm>

#include "book/node_backlog.hpp"
#include "book/resumed_boot.hpp"
#include "book/store_failure.hpp"

namespace tickledger {

namespace {

constexpr std::size_t packs_remembered = 16;
constexpr std::size_t payload_kept_bytes = 1024;

/// A pack that says the same again right away is the broker's or the node's repetition. Half a cadence later
/// it is news: that nothing ran. A pack that waited can only be a repetition.
bool is_repeated_pack(Account& account, const Message& message, bool waited) {
    auto& packs = account.memory().recent_packs;
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

/// The same message, delivered or read again.
bool stands_in(const NodeBacklog& backlog, const Reading& reading, Instant arrived_at) {
    return std::any_of(backlog.readings.begin(), backlog.readings.end(), [&](const KeptReading& each) {
        const Reading& kept = each.reading;
        if (kept.boot != reading.boot || kept.seq != reading.seq) return false;
        if (reading.boot && reading.seq) return true;
        return each.message.arrived_at == arrived_at && kept.count == reading.count &&
               kept.time == reading.time;
    });
}

/// Pulses of a start or before it that were told late: the entry that holds the start says that it may hide
/// them.
LateBooking add_to_restart(const Entry& entry, const Reading& late, Instant at, const CounterRules& rules) {
    LateBooking booking;
    const bool fits =
        entry.unseen_max ? late.count <= *entry.unseen_max : rules.plausible(late.count, entry.span.length());
    if (!fits) return booking;
    booking.fit = LateBooking::Fit::divides;
    Entry first = entry;
    first.span.to = std::min(at, entry.span.to);
    first.ticks = static_cast<std::int64_t>(late.count);
    first.time_estimated = false;
    first.end = {0, late.boot.value_or(0), late.seq.value_or(0)};
    Entry second = entry;
    second.span.from = first.span.to;
    for (Entry* part : {&first, &second}) {
        // Each may hide all that the whole one hid, but for what is found now.
        if (part->unseen_max) *part->unseen_max -= late.count;
        booking.add(*part);
    }
    return booking;
}

/// The entry of the start that pulses of its first messages are missing from: it ends with a later number of
/// theirs. What overtakes a message is mostly followed by it soon; a queue may take weeks.
std::optional<Entry> restart_after(Ledger& ledger, const Account& account, const Reading& reading) {
    using std::chrono::hours;
    constexpr Duration furthest = hours{1024};
    const auto boot = value_or_throw(ledger.boot(account.key, *reading.boot));
    const bool is_missing = boot && boot->first_seq &&
                            (account.rules.seq_distance(*reading.seq, *boot->first_seq) > 0 ||
                             value_or_throw(ledger.in_gap(account.key, *reading.boot, *reading.seq)));
    if (!is_missing) return std::nullopt;
    const Instant end = account.memory().counter.last->at;
    for (Duration back{0}, next = hours{1}; back < furthest; back = next, next *= 2) {
        const auto entries = value_or_throw(ledger.entries(account.key, {end - next, end - back}));
        const auto found = std::find_if(entries.begin(), entries.end(), [&](const Entry& entry) {
            return entry.kind == EntryKind::restart && entry.end.boot == *reading.boot &&
                   account.rules.seq_distance(*reading.seq, entry.end.seq) > 0;
        });
        if (found != entries.end()) return *found;
    }
    return std::nullopt;
}

/// Where it tells no time, pulses of a start lie as many cadences before its next message as its number does.
Instant placed_in(const Entry& restart, const Reading& reading, const CounterRules& rules) {
    const Duration length = restart.span.length();
    const auto ahead = rules.seq_distance(*reading.seq, restart.end.seq);
    if (rules.cadence <= Duration{0} || ahead > length / rules.cadence) return restart.span.from;
    return restart.span.to - rules.cadence * ahead;
}

bool is_older_of_boot(const Account& account, const Reading& reading) {
    const auto& last = account.memory().counter.last;
    return last && reading.boot && reading.boot == last->boot && reading.seq && last->seq &&
           account.rules.seq_distance(*last->seq, *reading.seq) <= 0;
}

}  // namespace

void MessageDesk::take(Account& account, const Message& message, const Delivery& delivery) {
    account.is_changed = true;
    const auto readings = decode(message.payload, account.settings, message.arrived_at);
    if (!readings) {
        ++counts_.unreadable;
        refuse(account, Refusal::unreadable, kept(message), readings.error().text);
        odd_.note({OddMessage::Kind::unreadable, account.id, message.topic, readings.error().text});
        return;
    }
    if (account.settings.message == MessageForm::senml && is_repeated_pack(account, message, delivery.waited))
        return;
    for (const Reading& reading : *readings)
        offer(account, reading, message, delivery);
}

/// Books a reading, or keeps it where it may be the beginning of a node's backlog.
void MessageDesk::offer(Account& account, const Reading& reading, const Message& message,
                        const Delivery& delivery) {
    auto& backlog = account.memory().backlog;
    const bool has_kept = backlog && !backlog->readings.empty();
    if (has_kept && stands_in(*backlog, reading, message.arrived_at)) return;
    const Circumstances came = order_.circumstances(account, reading, delivery, message);
    // What is older than what was booked decides about nothing that is kept. Whether a boot that was left
    // goes on, or its queue does, tells what comes next.
    const bool is_of_left_boot = came.boot_already_left && !may_resume(account, reading, came);
    if (came.already_accepted || is_of_left_boot || is_older_of_boot(account, reading)) {
        take_reading(account, reading, message, delivery);
        return;
    }
    // Nor does a record that is read again.
    const bool is_earlier = has_kept && message.arrived_at < backlog->readings.back().message.arrived_at;
    const bool may_be_kept = !delivery.waited && !message.retained && !is_earlier &&
                             !tells_believed_time(account.memory().counter, reading, came, account.rules);
    if (may_be_kept && must_be_kept(account, message.arrived_at)) {
        if (keep(account, reading, kept(message))) settle_backlog(account);
        return;
    }
    if (has_kept) {
        backlog->is_burst |= is_burst_with(*backlog, message.arrived_at, account.rules.cadence);
        settle_backlog(account);
    }
    take_reading(account, reading, message, delivery);
}

void MessageDesk::settle_backlog(Account& account) {
    const bool goes_on = may_go_on(account);
    NodeBacklog settled = std::move(*account.memory().backlog);
    account.memory().backlog.reset();
    account.is_changed = true;
    Delivery delivery;
    delivery.waited = settled.is_burst;
    delivery.behind = static_cast<int>(settled.readings.size());
    for (const KeptReading& each : settled.readings) {
        --delivery.behind;
        Message message;
        message.arrived_at = each.message.arrived_at;
        message.topic = each.message.topic;
        message.payload = each.message.payload;
        take_reading(account, each.reading, message, delivery);
    }
    if (!goes_on) return;
    account.memory().backlog = NodeBacklog{
        .readings = {}, .follows_burst = true, .booked = settled.booked + settled.readings.size()};
}

void MessageDesk::end_backlog(Account& account) {
    auto& backlog = account.memory().backlog;
    if (!backlog || backlog->readings.empty()) return;
    backlog->is_burst = true;
    settle_backlog(account);
}

void MessageDesk::take_reading(Account& account, const Reading& reading, const Message& message,
                               const Delivery& delivery) {
    const CounterState before = account.memory().counter;
    Circumstances came = order_.circumstances(account, reading, delivery, message);
    if (const auto resumed = resumed_boot(ledger_, account, reading, came)) {
        account.memory().counter.last = resumed;
        came.boot_already_left = false;
    }
    const Booking booking = book(account.memory().counter, reading, came, account.rules);
    if (booking.outcome == Outcome::late) return post_late(account, reading, booking, message);
    if (booking.outcome != Outcome::repeat) account.memory().clock_disbelieved = booking.clock_disbelieved;
    // The burst before is forgotten with the first reading that is not of it.
    if (booking.outcome == Outcome::booked && !came.waited) {
        account.memory().backlog.reset();
        note_pace(account.memory(), before.last, account.rules);
    }
    follow_held(account, booking, message);
    if (booking.outcome != Outcome::repeat) return post(account, booking, before);
    // It is passed over for what it tells, not for its number: from now on the number is known.
    if (!came.retained && !came.already_accepted && is_older_of_boot(account, reading))
        order_.note_passed(account, {*reading.boot, *reading.seq});
}

/// A held message is kept while it is held, for the list of refused ones should it turn out a stray.
void MessageDesk::follow_held(Account& account, const Booking& booking, const Message& message) {
    AccountMemory& memory = account.memory();
    if (booking.stray) {
        ++counts_.stray;
        watches_.use.stray(account, booking.stray->at);
        const auto refused = memory.held_message.value_or(HeldMessage{booking.stray->at, message.topic, ""});
        const std::string why = fmt::format("{} at {} fits neither what came before nor what came after it",
                                            booking.stray->count, zone_.format(booking.stray->at));
        refuse(account, Refusal::stray, refused, why);
        odd_.note({OddMessage::Kind::stray, account.id, refused.topic, why});
    }
    if (!memory.counter.held) memory.held_message.reset();
    if (booking.outcome == Outcome::held) memory.held_message = kept(message);
}

void MessageDesk::post(Account& account, const Booking& booking, const CounterState& before) {
    AccountMemory& memory = account.memory();
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
    if (entry) late = book_late(account, *entry, reading, booking);
    // Whatever becomes of it, it is not awaited any more, and nothing when it comes again: also where it came
    // without a time that is believed, and would be believed then.
    if (reading.boot && reading.seq) order_.note_passed(account, {*reading.boot, *reading.seq});
    if (late.fit == LateBooking::Fit::divides) posting_.replace(account, *entry, late.parts());
    if (late.fit != LateBooking::Fit::contradicts || is_nothing_new(account, reading, booking, message))
        return;
    const std::string when =
        booking.late_at ? "at " + zone_.format(*booking.late_at) : "without a time of its own";
    const bool is_new =
        refuse(account, Refusal::late, kept(message),
               fmt::format("it came late, and {} {} does not fit what was booked then", reading.count, when));
    if (is_new) ++counts_.late_refused;
}

/// A late message that fits nowhere, and yet says nothing that was not booked: a record that is read again.
bool MessageDesk::is_nothing_new(const Account& account, const Reading& reading, const Booking& booking,
                                 const Message& message) {
    // What is older, and by its time is not, has no place.
    const bool has_no_place =
        !booking.late_at || (!reading.boot && *booking.late_at > account.memory().counter.last->at);
    if (has_no_place) return !account.rules.pulses;
    if (account.rules.pulses && reading.boot && reading.seq) return false;
    // The first reading booked nothing, so that no entry ends with it.
    if (booking.late_at == account.memory().meter_register.first_at && !account.rules.pulses) return true;
    // A time that is believed now need not have been when it came first; then its arrival counted.
    return is_known(account, reading, *booking.late_at) || is_known(account, reading, message.arrived_at);
}

/// An entry ends there with what the reading tells. What had waited stands elsewhere, and where exactly
/// nothing tells any more: within such an entry everything without a time of its own is known.
bool MessageDesk::is_known(const Account& account, const Reading& reading, Instant at) {
    const auto entries = value_or_throw(ledger_.entries(account.key, {at - Duration{1}, at}));
    return std::any_of(entries.begin(), entries.end(), [&](const Entry& entry) {
        if (entry.kind == EntryKind::adjustment) return false;
        if (!reading.time && entry.time_estimated) return true;
        if (entry.span.to != at) return false;
        return account.rules.pulses ? entry.ticks == static_cast<std::int64_t>(reading.count)
                                    : entry.end.count == reading.count;
    });
}

/// The entry that a late reading belongs into: by its number for pulses, by its time for counts.
std::optional<Entry> MessageDesk::entry_of_late(const Account& account, const Reading& reading,
                                                const Booking& booking) {
    if (!account.rules.pulses) {
        if (!booking.late_at) return std::nullopt;
        auto entry = value_or_throw(ledger_.entry_at(account.key, *booking.late_at));
        // Its place in the record is no time where the messages had waited.
        if (entry && entry->time_estimated && !reading.time) return std::nullopt;
        return entry;
    }
    if (!reading.boot || !reading.seq) return std::nullopt;
    auto gap = value_or_throw(ledger_.gap_of(account.key, *reading.boot, *reading.seq));
    if (gap) return gap;
    if (!booking.late_at) return restart_after(ledger_, account, reading);
    // What a node had counted and not yet sent at a start may come yet, and so may its first words after it.
    auto entry = value_or_throw(ledger_.entry_at(account.key, *booking.late_at));
    return entry && entry->kind == EntryKind::restart ? entry : std::nullopt;
}

LateBooking MessageDesk::book_late(const Account& account, const Entry& entry, const Reading& reading,
                                   const Booking& booking) {
    if (account.rules.pulses && entry.kind == EntryKind::restart) {
        const Instant at = booking.late_at ? *booking.late_at : placed_in(entry, reading, account.rules);
        return add_to_restart(entry, reading, at, account.rules);
    }
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
