#include "book/night_watch.hpp"

#include <fmt/format.h>

#include <algorithm>

#include "book/documents.hpp"
#include "book/store_failure.hpp"
#include "tickledger/hours.hpp"

namespace tickledger {

namespace {

/// Ticks of the quietest stretch of `length` within the window, and that stretch: what ran all night ran
/// then, and least else with it. Entries are in order of time; the stretch begins where an entry does.
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

}  // namespace

Span night_after(const CivilZone& zone, const AlarmSettings& alarms, Instant t) {
    for (date::sys_days day{zone.date_of(t)};; day += date::days{1}) {
        const date::year_month_day date_of_end{day};
        const bool begins_evening_before = alarms.night_from > alarms.night_to;
        const date::year_month_day date_of_begin{begins_evening_before ? day - date::days{1} : day};
        const Span night{zone.at(date_of_begin, alarms.night_from), zone.at(date_of_end, alarms.night_to)};
        if (night.to > t && night.length() > Duration{0}) return night;
    }
}

void NightWatch::begin(Account& account, Instant t) {
    if (!account.settings.watches(AlarmKind::night_flow)) return;
    const AlarmSettings& alarms = account.settings.alarms;
    account.memory.night = Stillness(night_after(zone_, alarms, t), alarms.still_for);
}

void NightWatch::follow(Account& account, const Entry& entry) {
    if (entry.kind == EntryKind::adjustment) return;
    auto& night = account.memory.night;
    while (night && night->window().to <= entry.span.to) {
        night->add(entry);
        judge(account);
    }
    if (night) night->add(entry);
    follow_stillness(account, entry);
}

void NightWatch::follow_stillness(Account& account, const Entry& entry) {
    auto& still_since = account.memory.still_since;
    const bool is_still = entry.kind == EntryKind::measured && entry.ticks == 0 && !entry.time_estimated;
    if (!is_still) {
        still_since.reset();
        return;
    }
    if (!still_since) still_since = entry.span.from;
    const Instant long_enough = *still_since + account.settings.alarms.still_for;
    if (entry.span.to >= long_enough) desk_.clear(account, AlarmKind::night_flow, long_enough);
}

std::optional<Instant> NightWatch::deadline(const Account& account) {
    if (!account.memory.night) return std::nullopt;
    return account.memory.night->window().to + account.settings.alarms.silent_after;
}

void NightWatch::judge(Account& account) {
    const Stillness night = *account.memory.night;
    const Span window = night.window();
    begin(account, window.to);
    account.is_changed = true;
    switch (night.verdict()) {
        case Verdict::still:
            return;
        case Verdict::flow:
            if (AlarmDesk::is_active(account, AlarmKind::night_flow)) return;
            desk_.raise(account, AlarmKind::night_flow, window.to, evidence(account, window));
            return;
        case Verdict::undecided:
            desk_.leave_undecided(
                account, AlarmKind::night_flow, window,
                fmt::format(
                    "Whether water ran all night at {} from {} to {} can not be told: there were gaps "
                    "between the messages, or messages too far apart, in which it may have stood still "
                    "for {}.",
                    account.id, zone_.format(window.from), zone_.format(window.to),
                    format_duration(account.settings.alarms.still_for)));
            return;
    }
}

void NightWatch::look_again(Account& account, Span changed) {
    auto& night = account.memory.night;
    if (!night || overlap(changed, night->window()).length() <= Duration{0}) return;
    Stillness anew(night->window(), account.settings.alarms.still_for);
    for (const Entry& entry : value_or_throw(ledger_.entries(account.key, night->window())))
        anew.add(entry);
    night = anew;
    account.is_changed = true;
}

Evidence NightWatch::evidence(const Account& account, Span night) {
    const AlarmSettings& alarms = account.settings.alarms;
    const auto entries = value_or_throw(ledger_.entries(account.key, night));
    const Duration stretch_length = std::max<Duration>(alarms.still_for, std::chrono::hours{1});
    const auto [stretch, ticks] = quietest_stretch(entries, night, stretch_length);
    EvidenceBuilder evidence(zone_);
    evidence.span(night, "night_").estimate("still_for_min", hours_of(alarms.still_for) * 60, 1);
    std::string how_much;
    if (ticks > 0) {
        // A steady flow of n ticks in T lies between n-1 and n+1 pulse values over T; the middle is told.
        const double flow_l_per_h =
            static_cast<double>(ticks) * account.settings.pulse_value_l.value() / hours_of(stretch.length());
        evidence.span(stretch, "quietest_").whole("quietest_ticks", ticks).flow(flow_l_per_h);
        how_much = fmt::format(
            " Even in the quietest hour about {:.1f} litres an hour ran; a whole day of that is about "
            "{:.0f} litres.",
            flow_l_per_h, flow_l_per_h * 24);
    }
    return std::move(evidence).saying(
        fmt::format("Water ran all night at {}: between {} and {} the meter never stood still for {}.{} Look "
                    "for a toilet that runs on, a dripping valve or an open tap.",
                    account.id, zone_.format(night.from), zone_.format(night.to),
                    format_duration(alarms.still_for), how_much));
}

}  // namespace tickledger
