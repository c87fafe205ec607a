#include "tickledger/late.hpp"

#include <algorithm>

#include "core/booking.hpp"

namespace tickledger {

namespace {

bool tells(const Reading& late, std::uint64_t boot) {
    return !late.boot || boot == 0 || *late.boot == boot;
}

/// The two parts of an entry divided at `at`: one with `first_ticks`, one with the rest.
std::pair<Entry, Entry> cut(const Entry& entry, Instant at, std::int64_t first_ticks, const Mark& mark) {
    Entry first = entry;
    Entry second = entry;
    first.span.to = second.span.from = at;
    first.ticks = first_ticks;
    second.ticks = entry.ticks - first_ticks;
    first.end = mark;
    first.time_estimated = false;
    second.begin_count = mark.count;
    return {first, second};
}

/// The time that the whole entry may hide beyond its own length, because its span may be estimated too short.
Duration hidden_time(const Entry& entry, const CounterRules& rules) {
    Duration hidden{0};
    if (!entry.unseen_max) return hidden;
    const std::uint64_t most = *entry.unseen_max + static_cast<std::uint64_t>(entry.ticks);
    // In steps that double: the bound may be too large by this, but never too small.
    constexpr Duration longest = std::chrono::hours{24 * 366 * 100};
    for (Duration more = std::chrono::minutes{1};
         hidden < longest && rules.plausible_max(entry.span.length() + hidden) < most; more *= 2)
        hidden += more;
    return hidden;
}

LateBooking parts(const Entry& whole, Entry first, Entry second, const CounterRules& rules) {
    LateBooking booking;
    booking.fit = LateBooking::Fit::divides;
    const Duration hidden = hidden_time(whole, rules);
    for (Entry* part : {&first, &second}) {
        // A measured part is certain. The other part may still hide what its own length allows.
        part->unseen_max.reset();
        const bool is_certain = part->kind == EntryKind::measured || part->kind == EntryKind::reverse;
        booking.add(is_certain ? *part : booking::uncertain(*part, part->span.length() + hidden, rules));
    }
    return booking;
}

LateBooking fit_only(LateBooking::Fit fit) {
    LateBooking booking;
    booking.fit = fit;
    return booking;
}

bool is_plausible(const Entry& entry, const CounterRules& rules) {
    return rules.plausible(static_cast<std::uint64_t>(entry.ticks), entry.span.length());
}

/// The reading belongs to the same counting as the entry's ticks.
LateBooking divide_counted(const Entry& entry, const Reading& late, Instant at, const CounterRules& rules) {
    const std::uint64_t gain = rules.gain(entry.begin_count, late.count);
    if (gain > static_cast<std::uint64_t>(entry.ticks)) return fit_only(LateBooking::Fit::contradicts);
    const Mark mark{late.count, late.boot.value_or(entry.end.boot), late.seq.value_or(0)};
    auto [first, second] = cut(entry, at, static_cast<std::int64_t>(gain), mark);
    // From this reading on, the node saw everything.
    if (entry.kind == EntryKind::restart) second.kind = EntryKind::measured;
    if (!is_plausible(first, rules) || !is_plausible(second, rules)) return fit_only(LateBooking::Fit::known);
    return parts(entry, first, second, rules);
}

/// The reading is on the way back: it divides what had run back before it from the rest.
LateBooking divide_reverse(const Entry& entry, const Reading& late, Instant at, const CounterRules& rules) {
    const std::uint64_t back = rules.gain(late.count, entry.begin_count);
    if (back > static_cast<std::uint64_t>(-entry.ticks)) return fit_only(LateBooking::Fit::contradicts);
    const Mark mark{late.count, late.boot.value_or(entry.end.boot), late.seq.value_or(0)};
    auto [first, second] = cut(entry, at, -static_cast<std::int64_t>(back), mark);
    for (Entry* part : {&first, &second}) {
        if (!rules.plausible(static_cast<std::uint64_t>(-part->ticks), part->span.length()))
            return fit_only(LateBooking::Fit::known);
        if (part->ticks == 0) part->kind = EntryKind::measured;
    }
    return parts(entry, first, second, rules);
}

/// The reading belongs to the counting before the entry began. It proves that nothing was added until then.
LateBooking divide_still(const Entry& entry, const Reading& late, Instant at, const Mark& before,
                         const CounterRules& rules) {
    const Mark mark{late.count, late.boot.value_or(before.boot), late.seq.value_or(0)};
    auto [first, second] = cut(entry, at, 0, mark);
    first.kind = EntryKind::measured;
    first.begin_count = before.count;
    second.begin_count = entry.begin_count;
    return parts(entry, first, second, rules);
}

}  // namespace

LateBooking divide(const Entry& entry, const Mark& before, const Reading& late, Instant at,
                   const CounterRules& rules) {
    TICKLEDGER_CHECK(at <= entry.span.to && (entry.span.from < at || at == entry.span.to),
                     "a late reading lies within the entry that it divides");
    const bool agrees_with_end = late.count == entry.end.count && tells(late, entry.end.boot);
    if (at == entry.span.to) {
        return fit_only(agrees_with_end ? LateBooking::Fit::known : LateBooking::Fit::contradicts);
    }
    switch (entry.kind) {
        case EntryKind::measured:
            if (!tells(late, entry.end.boot)) break;
            return divide_counted(entry, late, at, rules);
        case EntryKind::restart:
            if (tells(late, entry.end.boot)) return divide_counted(entry, late, at, rules);
            if (late.count != before.count || !tells(late, before.boot)) break;
            return divide_still(entry, late, at, before, rules);
        case EntryKind::preset:
            if (late.count == before.count && tells(late, before.boot)) {
                return divide_still(entry, late, at, before, rules);
            }
            if (!agrees_with_end) break;
            {
                auto [first, second] = cut(entry, at, 0, {late.count, entry.end.boot, late.seq.value_or(0)});
                second.kind = EntryKind::measured;
                return parts(entry, first, second, rules);
            }
        case EntryKind::reverse:
            if (!tells(late, entry.end.boot)) break;
            return divide_reverse(entry, late, at, rules);
        case EntryKind::lost:
        case EntryKind::adjustment:
        case EntryKind::held:
            break;
    }
    return fit_only(LateBooking::Fit::contradicts);
}

LateBooking fill(const Entry& lost, const Reading& late, const CounterRules& rules) {
    TICKLEDGER_CHECK(late.seq.has_value(), "a message that fills a gap has a number");
    const std::int64_t index = rules.seq_distance(lost.begin_count, *late.seq);
    const std::int64_t missing = rules.seq_distance(lost.begin_count, lost.end.seq) + 1;
    // If `seq_bits` has changed since the gap was booked, the gap's numbers may be out of order.
    if (index < 0 || index >= missing) return fit_only(LateBooking::Fit::contradicts);
    // Each part of the gap may hide everything that the gap hid, less what is found now.
    const auto hidden = lost.unseen_max;
    const std::optional<std::uint64_t> left =
        hidden ? std::optional(*hidden - std::min(*hidden, late.count)) : std::nullopt;
    const auto moment = [&](std::int64_t n) { return lost.span.from + lost.span.length() * n / missing; };
    Entry filled = lost;
    filled.span = {moment(index), moment(index + 1)};
    filled.kind = EntryKind::measured;
    filled.unseen_max.reset();
    filled.ticks = static_cast<std::int64_t>(late.count);
    filled.time_estimated = true;
    filled.begin_count = 0;
    filled.end.seq = *late.seq;
    // The span of the gap may be estimated too short, and its messages need not have been sent evenly.
    const bool fits = hidden ? late.count <= *hidden : is_plausible(filled, rules);
    if (!fits) return fit_only(LateBooking::Fit::contradicts);

    LateBooking booking;
    booking.fit = LateBooking::Fit::divides;
    if (index > 0) {
        Entry earlier = lost;
        earlier.span.to = filled.span.from;
        earlier.end.seq = rules.seq_before(*late.seq);
        earlier.unseen_max = left;
        booking.add(earlier);
    }
    booking.add(filled);
    if (index + 1 < missing) {
        Entry later = lost;
        later.span.from = filled.span.to;
        later.begin_count = rules.seq_after(*late.seq);
        later.unseen_max = left;
        booking.add(later);
    }
    return booking;
}

}  // namespace tickledger
