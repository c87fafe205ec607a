#include "book/night_watch.hpp"

#include <fmt/format.h>

#include <algorithm>

#include "book/documents.hpp"
#include "book/store_failure.hpp"
#include "tickledger/hours.hpp"
#include "tickledger/words.hpp"

namespace tickledger {

namespace {

/// The quietest stretch of `length` within the window, and its ticks. What ran all night also ran then, with
/// the least other use. Entries are in order of time; the stretch begins where an entry does.
std::pair<Span, std::int64_t> quietest_stretch(const std::vector<Entry>& entries, Span window,
                                               Duration length) {
    std::pair<Span, std::int64_t> quietest{window, -1};
    for (std::size_t first = 0; first < entries.size(); ++first) {
        if (entries[first].span.from < window.from) continue;
        std::int64_t ticks = 0;
        for (std::size_t last = first; last < entries.size(); ++last) {
            if (entries[last].span.to > window.to || !entries[last].covers()) break;
            ticks += entries[last].ticks;
            const Span stretch{entries[first].span.from, entries[last].span.to};
            if (stretch.length() < length) continue;
            const bool is_quieter = quietest.second < 0 || ticks < quietest.second;
            if (is_quieter) quietest = {stretch, ticks};
            break;
        }
    }
    return quietest;
}

/// Only a measured entry whose time is not estimated shows that the water stood still.
bool is_still(const Entry& entry) {
    return entry.kind == EntryKind::measured && entry.ticks == 0 && !entry.time_estimated;
}

/// Whether the clock has passed the night already.
bool is_passed(const AccountMemory& memory, Span night) {
    return memory.clock_night && night.to <= memory.clock_night->from;
}

}  // namespace

void NightWatch::begin(Account& account, Instant t) {
    AccountMemory& memory = account.memory();
    if (!account.settings.watches(AlarmKind::night_flow)) {
        memory.night.reset();
        memory.clock_night.reset();
        return;
    }
    const AlarmSettings& alarms = account.settings.alarms;
    memory.night = Stillness(night_after(zone_, alarms, t), alarms.still_for);
    if (memory.clock_night && memory.clock_night->from <= memory.night->window().from)
        memory.clock_night.reset();
    account.is_changed = true;
}

void NightWatch::follow(Account& account, const Entry& entry) {
    if (entry.kind == EntryKind::adjustment) return;
    auto& night = account.memory().night;
    const bool is_watched = account.settings.watches(AlarmKind::night_flow);
    if (night.has_value() != is_watched) begin(account, entry.span.from);
    while (night && night->window().to <= entry.span.to) {
        night->add(entry);
        const Span window = night->window();
        const Verdict verdict = night->verdict();
        // Whole nights within one entry have the same verdict.
        const bool are_alike = entry.span.from <= window.from && verdict != Verdict::flow;
        decide(account, verdict,
               are_alike ? night_before(zone_, account.settings.alarms, entry.span.to).to : window.to);
    }
    if (night) night->add(entry);
    decide_what_was_passed(account);
    follow_stillness(account, entry);
}

void NightWatch::follow_stillness(Account& account, const Entry& entry) {
    auto& still_since = account.memory().still_since;
    if (!is_still(entry)) {
        still_since.reset();
        return;
    }
    if (!still_since) still_since = entry.span.from;
    const Instant long_enough = *still_since + account.settings.alarms.still_for;
    if (entry.span.to >= long_enough) desk_.clear(account, AlarmKind::night_flow, long_enough);
}

std::optional<Instant> NightWatch::deadline(const Account& account) {
    const AccountMemory& memory = account.memory();
    if (!memory.night || !account.settings.watches(AlarmKind::night_flow)) return std::nullopt;
    const Instant next = memory.clock_night ? memory.clock_night->to : memory.night->window().to;
    return next + account.settings.alarms.silent_after;
}

void NightWatch::pass(Account& account, Instant until) {
    AccountMemory& memory = account.memory();
    const AlarmSettings& alarms = account.settings.alarms;
    const Span first = memory.clock_night.value_or(memory.night->window());
    // What is still to come of the current night may be too little to change the verdict.
    if (!memory.clock_night && memory.night->verdict() != Verdict::undecided) {
        decide(account, memory.night->verdict(), first.to);
        return;
    }
    const Instant to = std::max(first.to, night_before(zone_, alarms, until - alarms.silent_after).to);
    undecided_.mark(account, {first.from, to});
    memory.clock_night = night_after(zone_, alarms, to);
    account.is_changed = true;
}

void NightWatch::decide(Account& account, Verdict verdict, Instant to) {
    const Span window = account.memory().night->window();
    const Span nights{window.from, to};
    const bool is_late = is_passed(account.memory(), window);
    begin(account, to);
    if (verdict == Verdict::undecided) {
        undecided_.mark(account, nights);
        return;
    }
    undecided_.settle(account, nights);
    if (verdict == Verdict::flow && !AlarmDesk::is_active(account, AlarmKind::night_flow))
        desk_.raise(account, AlarmKind::night_flow, window.to, evidence(account, window, is_late));
}

void NightWatch::decide_what_was_passed(Account& account) {
    const auto& night = account.memory().night;
    if (!night || !is_passed(account.memory(), night->window())) return;
    const Verdict verdict = night->verdict();
    if (verdict != Verdict::undecided) decide(account, verdict, night->window().to);
}

void NightWatch::look_again(Account& account, Span changed) {
    auto& night = account.memory().night;
    if (!night) return;
    const AlarmSettings& alarms = account.settings.alarms;
    const Instant end = night->window().from;
    for (Span past = night_after(zone_, alarms, changed.from); past.from < changed.to && past.to <= end;) {
        Span nights = past;
        const Verdict verdict = verdict_of_past(account, nights);
        decide_again(account, verdict, nights);
        past = night_after(zone_, alarms, nights.to);
    }
    if (overlap(changed, night->window()).length() <= Duration{0}) return;
    Stillness anew(night->window(), alarms.still_for);
    for (const Entry& entry : value_or_throw(ledger_.entries(account.key, night->window())))
        anew.add(entry);
    night = anew;
    account.is_changed = true;
    decide_what_was_passed(account);
}

/// The verdict of one night, or of all that are within one entry. `nights` is then extended to the last of
/// them.
Verdict NightWatch::verdict_of_past(const Account& account, Span& nights) {
    const AlarmSettings& alarms = account.settings.alarms;
    Stillness anew(nights, alarms.still_for);
    const auto last = value_or_throw(ledger_.entry_at(account.key, nights.to));
    if (!last || last->span.from > nights.from) {
        for (const Entry& entry : value_or_throw(ledger_.entries(account.key, nights)))
            anew.add(entry);
        return anew.verdict();
    }
    anew.add(*last);
    const Instant end = std::min(last->span.to, account.memory().night->window().from);
    if (anew.verdict() != Verdict::flow) nights.to = night_before(zone_, alarms, end).to;
    return anew.verdict();
}

void NightWatch::decide_again(Account& account, Verdict verdict, Span nights) {
    constexpr AlarmKind kind = AlarmKind::night_flow;
    // Removal of old entries can leave a night undecided that was decided before.
    if (verdict == Verdict::undecided) return;
    undecided_.settle(account, nights);
    if (verdict == Verdict::still) {
        if (!AlarmDesk::is_active(account, kind)) return;
        const Instant raised_at = account.open_alarms.at(kind).raised_at;
        if (raised_at > nights.from && raised_at <= nights.to) desk_.clear(account, kind, raised_at);
        return;
    }
    const bool is_told = AlarmDesk::is_active(account, kind) ||
                         value_or_throw(ledger_.last_alarm(account.key, kind, nights.to)).has_value();
    if (is_told) return;
    desk_.raise(account, kind, nights.to, evidence(account, nights, true));
    if (const auto still_at = stillness_after(account, nights.to)) desk_.clear(account, kind, *still_at);
}

std::optional<Instant> NightWatch::stillness_after(const Account& account, Instant t) {
    constexpr Duration step = std::chrono::hours{24};
    if (!account.memory().counter.last) return std::nullopt;
    const Duration still_for = account.settings.alarms.still_for;
    const Instant booked_to = account.memory().counter.last->at;
    Instant moved_at = Instant::min();  // Nothing was seen to run since then.
    // A stretch that is long enough only after `t` may have begun before it.
    for (Instant from = t - still_for; from < booked_to;) {
        Instant seen_to = from + step;
        for (const Entry& entry : value_or_throw(ledger_.entries(account.key, {from, seen_to}))) {
            if (entry.kind == EntryKind::adjustment) continue;
            seen_to = std::max(seen_to, entry.span.to);
            if (!is_still(entry)) {
                moved_at = entry.span.to;
                continue;
            }
            if (moved_at == Instant::min()) moved_at = entry.span.from;
            const Instant long_enough = moved_at + still_for;
            if (long_enough > t && entry.span.to >= long_enough) return long_enough;
        }
        from = seen_to;
    }
    return std::nullopt;
}

Evidence NightWatch::evidence(const Account& account, Span night, bool is_late) {
    const AlarmSettings& alarms = account.settings.alarms;
    const auto entries = value_or_throw(ledger_.entries(account.key, night));
    const Duration stretch_length = std::max<Duration>(alarms.still_for, std::chrono::hours{1});
    const auto [stretch, ticks] = quietest_stretch(entries, night, stretch_length);
    EvidenceBuilder evidence(zone_);
    evidence.span(night, "night_").estimate("still_for_min", hours_of(alarms.still_for) * 60, 1);
    if (is_late) evidence.flag("told_late", true);
    std::string how_much;
    if (ticks > 0) {
        // A steady flow of n ticks in T is between n-1 and n+1 pulse values over T. The middle is reported.
        const double flow_l_per_h = static_cast<double>(ticks) *
                                    account.in_force(stretch).settings.pulse_value_l.value() /
                                    hours_of(stretch.length());
        evidence.span(stretch, "quietest_").whole("quietest_ticks", ticks).flow(flow_l_per_h);
        const std::string stretch_name =
            stretch_length == std::chrono::hours{1} ? "hour" : in_words(stretch_length);
        how_much = fmt::format(
            " Even in the quietest {} about {:.1f} litres an hour ran; a whole day of that is about {:.0f} "
            "litres.",
            stretch_name, flow_l_per_h, flow_l_per_h * 24);
    }
    return std::move(evidence).saying(fmt::format(
        "Water ran all night at {}: {} the meter never stood still for {}.{} Look "
        "for a toilet that runs on, a dripping valve or an open tap.{}",
        account.id, in_words(night, zone_), in_words(alarms.still_for), how_much,
        is_late ? " This alarm is late because the readings of that night arrived long after its end." : ""));
}

}  // namespace tickledger
