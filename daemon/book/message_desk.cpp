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

/// An identical pack right after another is a repetition by the broker or the node. Half a cadence later it
/// is news: nothing ran. A pack that waited can only be a repetition.
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

/// Whether the backlog holds the same message, delivered or read again.
bool stands_in(const NodeBacklog& backlog, const Reading& reading, Instant arrived_at) {
    return std::any_of(backlog.readings.begin(), backlog.readings.end(), [&](const KeptReading& each) {
        const Reading& kept = each.reading;
        if (kept.boot != reading.boot || kept.seq != reading.seq) return false;
        if (reading.boot && reading.seq) return true;
        return each.message.arrived_at == arrived_at && kept.count == reading.count &&
               kept.time == reading.time;
    });
}

/// Books late pulses from a start or before it. The restart entry says how many pulses it may hide.
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
        // Each part may hide as many as the whole entry, less the pulses that are found now.
        if (part->unseen_max) *part->unseen_max -= late.count;
        booking.add(*part);
    }
    return booking;
}

/// The restart entry that a missing first message of a boot belongs to. It ends with a later number of that
/// boot. An overtaken message usually follows soon, but a queue may take weeks.
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

/// Pulses of a start without a time are placed by number: as many cadences before the entry's last message as
/// the numbers are apart.
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

/// Books a reading, or keeps it if it may be the beginning of a node's backlog.
void MessageDesk::offer(Account& account, const Reading& reading, const Message& message,
                        const Delivery& delivery) {
    auto& backlog = account.memory().backlog;
    const bool has_kept = backlog && !backlog->readings.empty();
    if (has_kept && stands_in(*backlog, reading, message.arrived_at)) return;
    const Circumstances came = order_.circumstances(account, reading, delivery, message);
    // A reading that is older than the booked ones decides nothing about the kept ones. A boot that was left
    // is different if it may resume: the next message shows whether it goes on or only its queue arrives.
    const bool is_of_left_boot = came.boot_already_left && !may_resume(account, reading, came);
    if (came.already_accepted || is_of_left_boot || is_older_of_boot(account, reading)) {
        take_reading(account, reading, message, delivery);
        return;
    }
    // Nor does a record that is read again decide anything.
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
    const Instant since = before.last ? std::min(before.last->at, message.arrived_at) : message.arrived_at;
    const Booking booking =
        book(account.memory().counter, reading, came, account.in_force({since, message.arrived_at}).rules);
    if (booking.outcome == Outcome::late) return post_late(account, reading, booking, message);
    if (booking.outcome != Outcome::repeat) account.memory().clock_disbelieved = booking.clock_disbelieved;
    // The last burst is forgotten with the first reading that does not belong to it.
    if (booking.outcome == Outcome::booked && !came.waited) {
        account.memory().backlog.reset();
        note_pace(account.memory(), before.last, account.rules);
    } else if (booking.outcome == Outcome::booked && came.retained) {
        pass_over_copy(account, before.last, message.arrived_at);
    }
    follow_held(account, booking, message);
    if (booking.outcome != Outcome::repeat) return post(account, booking, before);
    // Its content is no news, but its number was not known yet. From now on it is.
    if (!came.retained && !came.already_accepted && is_older_of_boot(account, reading))
        order_.note_passed(account, {*reading.boot, *reading.seq});
}

/// Keeps the message of a held reading, for the list of refused messages if the reading turns out to be a
/// stray.
void MessageDesk::follow_held(Account& account, const Booking& booking, const Message& message) {
    AccountMemory& memory = account.memory();
    if (booking.stray) {
        ++counts_.stray;
        watches_.use.stray(account, booking.stray->at);
        const auto refused = memory.held_message.value_or(HeldMessage{booking.stray->at, message.topic, ""});
        const std::string why = fmt::format("{} at {} was not confirmed by the reading after it",
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
    // Whatever the result, the message is no longer awaited, and counts as known if it comes again. That
    // includes a message whose time is not believed now but would be then.
    if (reading.boot && reading.seq) order_.note_passed(account, {*reading.boot, *reading.seq});
    if (late.fit == LateBooking::Fit::divides) posting_.replace(account, *entry, late.parts());
    if (late.fit != LateBooking::Fit::contradicts || is_nothing_new(account, reading, booking, message))
        return;
    const std::string when =
        booking.late_at ? "at " + zone_.format(*booking.late_at) : "without a time of its own";
    const bool is_before_all = booking.late_at && *booking.late_at < account.memory().meter_register.first_at;
    const bool is_new = refuse(account, Refusal::late, kept(message),
                               fmt::format("it came late, and {} {} {}", reading.count, when,
                                           is_before_all ? "is from before the first reading of this meter"
                                                         : "does not fit what was booked then"));
    if (is_new) ++counts_.late_refused;
}

/// A late message that fits nowhere but says nothing that is not booked: a record that is read again.
bool MessageDesk::is_nothing_new(const Account& account, const Reading& reading, const Booking& booking,
                                 const Message& message) {
    // A late reading has no place if its time is unknown, or if it has no boot and its time is after the last
    // one's.
    const bool has_no_place =
        !booking.late_at || (!reading.boot && *booking.late_at > account.memory().counter.last->at);
    if (has_no_place) return !account.rules.pulses;
    if (account.rules.pulses && reading.boot && reading.seq) return false;
    // The first reading booked nothing, so no entry ends with it.
    if (booking.late_at == account.memory().meter_register.first_at && !account.rules.pulses) return true;
    // A time that is believed now may not have been believed at first. Then the arrival counted.
    return is_known(account, reading, *booking.late_at) || is_known(account, reading, message.arrived_at);
}

/// Whether an entry that ends at `at` says what the reading says. Messages that had waited were booked at
/// other moments, which cannot be found again. So within an entry whose time is estimated, every reading
/// without a time of its own counts as known.
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

/// The entry that a late reading belongs to: found by number for pulses, by time for counts.
std::optional<Entry> MessageDesk::entry_of_late(const Account& account, const Reading& reading,
                                                const Booking& booking) {
    if (!account.rules.pulses) {
        if (!booking.late_at) return std::nullopt;
        auto entry = value_or_throw(ledger_.entry_at(account.key, *booking.late_at));
        // Where messages had waited, a reading without a time of its own has no place.
        if (entry && entry->time_estimated && !reading.time) return std::nullopt;
        return entry;
    }
    if (!reading.boot || !reading.seq) return std::nullopt;
    auto gap = value_or_throw(ledger_.gap_of(account.key, *reading.boot, *reading.seq));
    if (gap) return gap;
    if (!booking.late_at) return restart_after(ledger_, account, reading);
    // Pulses that a node had counted but not sent at a start may still come, and so may its first messages
    // after it.
    auto entry = value_or_throw(ledger_.entry_at(account.key, *booking.late_at));
    return entry && entry->kind == EntryKind::restart ? entry : std::nullopt;
}

LateBooking MessageDesk::book_late(const Account& account, const Entry& entry, const Reading& reading,
                                   const Booking& booking) {
    const CounterRules& rules = account.in_force(entry.span).rules;
    if (rules.pulses && entry.kind == EntryKind::restart) {
        const Instant at = booking.late_at ? *booking.late_at : placed_in(entry, reading, rules);
        return add_to_restart(entry, reading, at, rules);
    }
    if (rules.pulses) return fill(entry, reading, rules);
    const auto before = value_or_throw(ledger_.entry_before(account.key, entry.span.from));
    const Mark mark = before ? before->end : Mark{entry.begin_count, 0, 0};
    return divide(entry, mark, reading, *booking.late_at, rules);
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
