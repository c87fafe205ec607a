#include "book/message_order.hpp"

#include <algorithm>
#include <utility>

#include "book/store_failure.hpp"

namespace tickledger {

namespace {

// If every message of a node is a stray, they make one run unless some are lost.
constexpr std::size_t runs_set_aside_max = 64;
constexpr Duration furthest_overtaken = std::chrono::hours{64};
constexpr Duration clock_tolerance = std::chrono::minutes{2};

/// This many strays of one boot are the queue of an earlier start, and not a reading error.
constexpr std::uint64_t strays_of_queue = 2;

/// The queue of an earlier start, whose boot was not heard before, may arrive among the messages of the
/// running one. It may do so until the running boot has been silent for longer than a few lost messages
/// explain.
bool is_beside_running(const Account& account, std::uint64_t boot, Instant arrived_at) {
    const AccountMemory& memory = account.memory();
    if (arrived_at - memory.counter.last->arrived_at > 4 * account.rules.silence()) return false;
    std::uint64_t strays = 0;
    for (const NumberRun& run : memory.set_aside)
        strays += run.first.boot == boot ? run.more + 1 : 0;
    return strays >= strays_of_queue;
}

/// The count in the first stray of the boot.
std::optional<std::uint64_t> count_of_strays(const Account& account, std::uint64_t boot) {
    const auto& aside = account.memory().set_aside;
    const auto run = std::find_if(aside.begin(), aside.end(),
                                  [boot](const NumberRun& each) { return each.first.boot == boot; });
    return run == aside.end() ? std::nullopt : std::optional(run->count);
}

void set_aside(Account& account, const MessageNumber& number, std::uint64_t count) {
    auto& aside = account.memory().set_aside;
    const auto run = std::find_if(aside.begin(), aside.end(), [&](const NumberRun& each) {
        return each.first.boot == number.boot && account.rules.seq_distance(each.first.seq, number.seq) ==
                                                     static_cast<std::int64_t>(each.more) + 1;
    });
    if (run != aside.end()) {
        ++run->more;
    } else {
        aside.push_back({number, count});
    }
    if (aside.size() > runs_set_aside_max) aside.erase(aside.begin());
    account.is_changed = true;
}

bool is_set_aside(const Account& account, const Reading& reading) {
    if (!reading.seq) return false;
    const auto& aside = account.memory().set_aside;
    return std::any_of(aside.begin(), aside.end(), [&](const NumberRun& run) {
        const std::int64_t ahead = account.rules.seq_distance(run.first.seq, *reading.seq);
        return run.first.boot == *reading.boot && ahead >= 0 && ahead <= static_cast<std::int64_t>(run.more);
    });
}

/// The boot is new, or it is known because pulses of two boots come in turn. Then only its numbers go on.
void enter_boot(Ledger& ledger, const Account& account, const Observation& observation) {
    const auto known = value_or_throw(ledger.boot(account.key, *observation.boot));
    const CounterRules& rules = account.rules;
    if (known && known->last_seq && observation.seq &&
        rules.seq_distance(*known->last_seq, *observation.seq) > 1) {
        value_or_throw(ledger.add_gap(account.key, *observation.boot, rules.seq_after(*known->last_seq),
                                      rules.seq_before(*observation.seq)));
    }
    const auto first = known && known->first_seq ? known->first_seq : observation.seq;
    value_or_throw(ledger.put_boot(account.key, {*observation.boot, first, observation.seq}));
}

/// The next number of the running boot, as most messages have: this needs no query to the ledger.
bool moves_on(const Account& account, const Reading& reading, const Observation& last) {
    return last.boot == reading.boot && reading.seq && last.seq &&
           account.rules.seq_distance(*last.seq, *reading.seq) > 0;
}

}  // namespace

Circumstances MessageOrder::circumstances(const Account& account, const Reading& reading,
                                          const Delivery& delivery, const Message& message) {
    Circumstances came;
    came.arrived_at = message.arrived_at;
    came.waited = delivery.waited;
    came.behind = delivery.behind;
    came.retained = message.retained;
    const auto& last = account.memory().counter.last;
    if (!last) return came;
    if (!reading.boot) {
        came.boot_already_left = is_of_earlier_start(account, reading, *last) ||
                                 was_overtaken(account, reading, *last) ||
                                 was_passed_over(account, reading, *last);
    } else if (is_set_aside(account, reading)) {
        came.already_accepted = true;
    } else if (!moves_on(account, reading, *last)) {
        look_up_boot(account, reading, *last, came);
    }
    return came;
}

/// By what the ledger knows of the reading's boot.
void MessageOrder::look_up_boot(const Account& account, const Reading& reading, const Observation& last,
                                Circumstances& came) {
    const bool same_boot = last.boot == reading.boot;
    if (same_boot && !reading.seq && was_overtaken(account, reading, last)) {
        came.boot_already_left = true;
        return;
    }
    const auto boot = value_or_throw(ledger_.boot(account.key, *reading.boot));
    if (!boot) {
        came.boot_already_left = is_of_start_between(account, reading, last);
        came.boot_is_doubtful = is_beside_running(account, *reading.boot, came.arrived_at);
        came.count_of_strays = count_of_strays(account, *reading.boot);
        return;
    }
    // New pulses count whenever they come, because the queue of an earlier start may arrive among the
    // messages of a later one. Counts of a boot that was left are contained in those that follow. A message
    // with a time in the past is placed at that time (MessageDesk::post_late).
    const bool tells_past = reading.time && *reading.time < last.at;
    const bool is_news = account.rules.pulses && !tells_past && reading.seq && boot->last_seq &&
                         account.rules.seq_distance(*boot->last_seq, *reading.seq) > 0;
    came.boot_already_left = !same_boot && !is_news;
    came.boot_goes_on = !same_boot && is_news;
    came.already_accepted = was_accepted(account, *boot, reading, same_boot ? last.seq : boot->last_seq);
}

/// The queue of a start may arrive after the first message of the next start or of a later one. Then the
/// entry of the next start spans the time in the message. A wrong clock after a start hardly ever shows just
/// such a time.
bool MessageOrder::is_of_start_between(const Account& account, const Reading& reading,
                                       const Observation& last) {
    if (!reading.time || *reading.time >= last.at) return false;
    const auto entry = value_or_throw(ledger_.entry_at(account.key, *reading.time));
    const bool is_between = entry && entry->kind == EntryKind::restart && entry->span.from < *reading.time &&
                            *reading.time < entry->span.to;
    if (!is_between || entry->end.boot == last.boot) return is_between;
    // For a start before the running one, the count must also be within the entry's counts.
    const CounterRules& rules = account.rules;
    return !rules.pulses && rules.count_not_after(entry->begin_count, reading.count) &&
           rules.count_not_after(reading.count, entry->end.count);
}

/// Without a boot, a number may be larger because it is from an earlier start that had come that far. Then
/// the ledger has such numbers around the time in the message.
bool MessageOrder::is_of_earlier_start(const Account& account, const Reading& reading,
                                       const Observation& last) {
    const CounterRules& rules = account.rules;
    if (rules.pulses || !reading.seq || !reading.time || !last.seq || rules.cadence <= Duration{0})
        return false;
    if (*reading.time >= last.at || rules.seq_distance(*last.seq, *reading.seq) <= 0) return false;
    const auto fit = [&](std::uint64_t from, std::uint64_t to, Duration time) {
        const std::int64_t numbers = rules.seq_distance(from, to);
        return numbers >= 0 && numbers <= 2 * (time / rules.cadence) + 2;
    };
    const auto entry = value_or_throw(ledger_.entry_at(account.key, *reading.time));
    if (!entry || entry->end.boot != 0) return false;
    if (fit(*reading.seq, entry->end.seq, entry->span.to - *reading.time)) return true;
    const auto before = value_or_throw(ledger_.entry_before(account.key, entry->span.from));
    if (!before || before->end.boot != 0) return false;
    // Or it is one of those that the entry passed over, however often the node sent.
    const bool is_passed_over = rules.seq_distance(before->end.seq, *reading.seq) >= 0 &&
                                rules.seq_distance(*reading.seq, entry->end.seq) >= 0 &&
                                rules.count_not_after(entry->begin_count, reading.count) &&
                                rules.count_not_after(reading.count, entry->end.count);
    if (is_passed_over) return true;
    // Or the earlier start ended within this entry, and the numbers began again.
    return rules.seq_distance(before->end.seq, entry->end.seq) < 0 &&
           fit(before->end.seq, *reading.seq, *reading.time - before->span.to);
}

/// If a clock was not believed, the last message counts at its arrival. An older message may then have a
/// believed time after that arrival. It is recognised by the node's own clock, and by its count within a
/// measured entry.
bool MessageOrder::was_overtaken(const Account& account, const Reading& reading, const Observation& last) {
    const CounterRules& rules = account.rules;
    if (rules.pulses || !reading.time || !last.node_time || last.tells_time()) return false;
    const Duration age = *last.node_time - *reading.time;
    const bool fell = reading.count != last.count && rules.count_not_after(reading.count, last.count);
    if (age <= Duration{0} || !fell) return false;
    const bool began_anew = reading.uptime && last.uptime &&
                            std::chrono::abs(*last.uptime - *reading.uptime - age) > clock_tolerance;
    if (began_anew) return false;
    const auto entries =
        value_or_throw(ledger_.entries(account.key, {last.at - std::min(age, furthest_overtaken), last.at}));
    return std::any_of(entries.begin(), entries.end(), [&](const Entry& entry) {
        return entry.kind == EntryKind::measured && rules.count_not_after(entry.begin_count, reading.count) &&
               rules.count_not_after(reading.count, entry.end.count);
    });
}

/// Without a boot, a lower number may be of a new start, or of a queue that a live reading has overtaken. In
/// the second case an entry passed over the number and over the count.
bool MessageOrder::was_passed_over(const Account& account, const Reading& reading, const Observation& last) {
    const CounterRules& rules = account.rules;
    if (rules.pulses || !reading.seq || !last.seq || rules.seq_distance(*last.seq, *reading.seq) >= 0)
        return false;
    const auto entries =
        value_or_throw(ledger_.entries(account.key, {last.at - furthest_overtaken, last.at}));
    std::optional<std::uint64_t> seq_before;
    return std::ranges::any_of(entries, [&](const Entry& entry) {
        const auto from = std::exchange(seq_before, entry.end.seq);
        return from && entry.kind == EntryKind::measured && rules.seq_distance(*from, *reading.seq) > 0 &&
               rules.seq_distance(*reading.seq, entry.end.seq) > 0 &&
               rules.count_not_after(entry.begin_count, reading.count) &&
               rules.count_not_after(reading.count, entry.end.count);
    });
}

/// Whether the reading's number is among the boot's numbers up to `last_seq`, and in no gap.
bool MessageOrder::was_accepted(const Account& account, const BootRecord& boot, const Reading& reading,
                                std::optional<std::uint64_t> last_seq) {
    if (!reading.seq || !boot.first_seq || !last_seq) return false;
    const bool within = account.rules.seq_distance(*boot.first_seq, *reading.seq) >= 0 &&
                        account.rules.seq_distance(*reading.seq, *last_seq) >= 0;
    return within && !value_or_throw(ledger_.in_gap(account.key, *reading.boot, *reading.seq));
}

void MessageOrder::advance(Account& account, const CounterState& before, const Booking& booking) {
    remember_accepted(account, before, booking);
    set_aside_dropped(account, before, booking);
    forget_passed(account);
}

/// Stores the last number of a boot that is left and the first of a new one. Skipped numbers become a gap.
void MessageOrder::remember_accepted(const Account& account, const CounterState& before,
                                     const Booking& booking) {
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
            enter_boot(ledger_, account, observation);
        } else if (observation.boot && observation.seq && previous && previous->seq &&
                   account.rules.seq_distance(*previous->seq, *observation.seq) > 1) {
            value_or_throw(ledger_.add_gap(account.key, *observation.boot,
                                           account.rules.seq_after(*previous->seq),
                                           account.rules.seq_before(*observation.seq)));
        }
        if (observation.boot && observation.seq && !new_boot && previous->seq)
            keep_within_reach(account, *observation.boot, *previous->seq, *observation.seq);
        previous = observation;
    }
}

/// A number half the range back cannot be told from one to come (RFC 1982). So a boot that has sent many
/// keeps the numbers of three to four eighths of the range. The first known number follows the last, and gaps
/// of the round before are forgotten before their numbers are used again.
void MessageOrder::keep_within_reach(const Account& account, std::uint64_t boot, std::uint64_t previous_seq,
                                     std::uint64_t seq) {
    constexpr int least_bits = 8;
    constexpr std::uint64_t kept = 3;
    if (account.rules.seq_bits < least_bits) return;
    const int bits = account.rules.seq_bits - 3;
    const std::uint64_t eighth = (seq >> bits) % 8;
    if (eighth == (previous_seq >> bits) % 8) return;
    auto record = value_or_throw(ledger_.boot(account.key, boot));
    if (!record || !record->first_seq) return;
    const std::uint64_t oldest = (eighth - kept) % 8 << bits;
    const bool is_within = account.rules.seq_distance(oldest, *record->first_seq) >= 0 &&
                           account.rules.seq_distance(*record->first_seq, seq) >= 0;
    if (!is_within) {
        record->first_seq = oldest;
        value_or_throw(ledger_.put_boot(account.key, *record));
    }
    for (std::uint64_t ahead = 1; ahead < 8 - kept; ++ahead) {
        const std::uint64_t first = (eighth + ahead) % 8 << bits;
        const std::uint64_t last = first + ((std::uint64_t{1} << bits) - 1);
        value_or_throw(ledger_.fill_gap(account.key, boot, first, last));
    }
}

/// A message that was held and not booked did arrive, although it has no place in the order. Once the order
/// has passed it, its number is no gap. Until then it is set aside.
void MessageOrder::set_aside_dropped(Account& account, const CounterState& before, const Booking& booking) {
    const auto& held = before.held;
    if (!held || held == account.memory().counter.held) return;
    if (!held->observation.boot || !held->observation.seq) return;
    const auto accepted = booking.accepted();
    const bool has_place = std::any_of(accepted.begin(), accepted.end(), [&](const Observation& observation) {
        return observation.boot == held->observation.boot && observation.seq == held->observation.seq;
    });
    if (!has_place) {
        set_aside(account, {*held->observation.boot, *held->observation.seq}, held->observation.count);
    }
}

void MessageOrder::forget_passed(Account& account) {
    const auto& last = account.memory().counter.last;
    std::erase_if(account.memory().set_aside, [&](const NumberRun& run) {
        const bool is_passed = last && last->boot == run.first.boot && last->seq &&
                               account.rules.seq_distance(run.first.seq, *last->seq) >= 0;
        MessageNumber number = run.first;
        for (std::uint64_t left = is_passed ? run.more + 1 : 0; left > 0; --left) {
            note_passed(account, number);
            number.seq = account.rules.seq_after(number.seq);
        }
        return is_passed;
    });
}

/// Marks a number as known. Cases: nothing is known of the boot; the number is before its first; the boot was
/// left and the number is after its last; otherwise it was in a gap.
void MessageOrder::note_passed(const Account& account, const MessageNumber& number) {
    auto boot = value_or_throw(ledger_.boot(account.key, number.boot));
    if (!boot) return value_or_throw(ledger_.put_boot(account.key, {number.boot, number.seq, number.seq}));
    if (!boot->first_seq) return;
    const CounterRules& rules = account.rules;
    const auto& last = account.memory().counter.last;
    const bool is_left = !last || last->boot != number.boot;
    std::optional<std::pair<std::uint64_t, std::uint64_t>> between;  // Both known, nothing known in between.
    if (rules.seq_distance(*boot->first_seq, number.seq) < 0) {
        between = {number.seq, *boot->first_seq};
        boot->first_seq = number.seq;
    } else if (is_left && boot->last_seq && rules.seq_distance(*boot->last_seq, number.seq) > 0) {
        between = {*boot->last_seq, number.seq};
        boot->last_seq = number.seq;
    } else {
        value_or_throw(ledger_.fill_gap(account.key, number.boot, number.seq, number.seq));
        return;
    }
    if (rules.seq_distance(between->first, between->second) > 1) {
        value_or_throw(ledger_.add_gap(account.key, number.boot, rules.seq_after(between->first),
                                       rules.seq_before(between->second)));
    }
    value_or_throw(ledger_.put_boot(account.key, *boot));
}

}  // namespace tickledger
