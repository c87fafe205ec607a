#include "book/use_watch.hpp"

#include <fmt/format.h>

#include <cmath>

#include "book/documents.hpp"
#include "tickledger/hours.hpp"
#include "tickledger/words.hpp"

namespace tickledger {

namespace {

/// This many strays or gaps within a day are more than a short disturbance of the radio.
constexpr std::size_t faults_to_tell = 3;
constexpr Duration fault_memory = std::chrono::hours{24};
/// Use while away is over after this much stillness. It is longer than the pauses of the slowest leak that
/// slow-leak finds, so that a leak is one alarm and not one per tick.
constexpr Duration away_off_delay = std::chrono::hours{6};

}  // namespace

void UseWatch::follow(Account& account, const Entry& entry) {
    if (entry.kind == EntryKind::adjustment) return;
    follow_high_flow(account, entry);
    follow_long_draw(account, entry);
    follow_away(account, entry);
    follow_faults(account, entry);
}

void UseWatch::follow_high_flow(Account& account, const Entry& entry) {
    const MeterSettings& meter = account.in_force(entry.span).settings;
    if (!meter.watches(AlarmKind::high_flow)) {
        account.memory().high_flow = {};
        return;
    }
    HighFlow& flow = account.memory().high_flow;
    if (flow.add(entry, meter) && !AlarmDesk::is_active(account, AlarmKind::high_flow)) {
        const Span run = flow.run();
        const double litres = volume_l(flow.run_ticks(), meter);
        const double run_h = hours_of(run.length());
        EvidenceBuilder evidence(zone_);
        evidence.span(run).whole("ticks", flow.run_ticks()).flow(litres / run_h);
        desk_.raise(
            account, AlarmKind::high_flow, entry.span.to,
            std::move(evidence).saying(fmt::format(
                "Water runs unusually fast at {}: about {:.0f} litres an hour for {}, {:.0f} litres "
                "since {}. If nobody is using that much, a pipe or hose may have burst: look, and "
                "shut the main valve.",
                account.id, litres / run_h, in_words(run.length()), litres, in_words(run.from, zone_))));
    }
    if (flow.is_over(meter)) desk_.clear(account, AlarmKind::high_flow, entry.span.to);
}

void UseWatch::follow_long_draw(Account& account, const Entry& entry) {
    const MeterSettings& meter = account.in_force(entry.span).settings;
    if (!meter.watches(AlarmKind::long_draw)) {
        account.memory().long_draw = {};
        return;
    }
    LongDraw& draw = account.memory().long_draw;
    if (draw.add(entry, meter) && !AlarmDesk::is_active(account, AlarmKind::long_draw)) {
        const double litres = volume_l(draw.ticks(), meter);
        const double open_h = hours_of(entry.span.to - draw.since()) + hours_of(entry.span.length());
        EvidenceBuilder evidence(zone_);
        evidence.span({draw.since(), entry.span.to}).whole("ticks", draw.ticks()).volume(litres, open_h);
        // Messages of one second give no flow.
        const bool has_flow = open_h * 60 >= 1;
        const std::string a_day =
            has_flow ? fmt::format(", about {:.0f} a day if it goes on", litres / open_h * 24) : "";
        desk_.raise(account, AlarmKind::long_draw, entry.span.to,
                    std::move(evidence).saying(fmt::format(
                        "One use of water at {} has not ended since {}: {:.0f} litres so far{}. Is a "
                        "tap or a hose still open?",
                        account.id, in_words(draw.since(), zone_), litres, a_day)));
    }
    if (draw.is_shut()) desk_.clear(account, AlarmKind::long_draw, entry.span.to);
}

void UseWatch::follow_away(Account& account, const Entry& entry) {
    const MeterSettings& meter = account.in_force(entry.span).settings;
    if (!meter.watches(AlarmKind::away_use)) return;
    const auto away = absence(account.memory().away, meter.alarms);
    const Span span = entry.span;
    const auto& still_since = account.memory().still_since;
    const bool is_still =
        still_since && span.to - *still_since >= std::max(meter.alarms.still_for, away_off_delay);
    const bool ends_while_away = away && span.to > away->from && span.to <= away->to;
    if (!ends_while_away || is_still) {
        desk_.clear(account, AlarmKind::away_use, span.to);
        return;
    }
    // Ticks of a span that began before the absence may have run while somebody was there.
    if (span.from < away->from || AlarmDesk::is_active(account, AlarmKind::away_use)) return;
    const bool may_hide_ticks = !entry.covers() || entry.kind == EntryKind::restart;
    if (entry.ticks == 0 && may_hide_ticks) {
        desk_.leave_undecided(account, AlarmKind::away_use, span,
                              fmt::format("It is not known whether water ran at {} {}, while everybody was "
                                          "away: the node restarted or messages are missing.",
                                          account.id, in_words(span, zone_)));
    }
    if (entry.ticks <= 0) return;
    const double litres = volume_l(entry.ticks, meter);
    EvidenceBuilder evidence(zone_);
    evidence.span(span).whole("ticks", entry.ticks).volume(litres, hours_of(span.length()));
    desk_.raise(account, AlarmKind::away_use, span.to,
                std::move(evidence).saying(
                    fmt::format("Water ran at {} while everybody is away: {:g} litres {}. Is somebody in the "
                                "house, or does something leak?",
                                account.id, litres, in_words(span, zone_))));
}

void UseWatch::follow_faults(Account& account, const Entry& entry) {
    if (entry.kind == EntryKind::preset) {
        fault(account, entry.span.to, true,
              "the count jumped to another value, as if it had been set by hand");
    } else if (entry.kind == EntryKind::lost) {
        fault(account, entry.span.to, false, "messages with pulses never came");
    } else if (entry.kind == EntryKind::measured && !account.memory().faults.empty() &&
               entry.span.to - account.memory().faults.back() >= fault_memory) {
        account.memory().faults.clear();
        desk_.clear(account, AlarmKind::counter_fault, entry.span.to);
    }
}

void UseWatch::stray(Account& account, Instant at) {
    fault(account, at, false, "a count arrived that the reading after it did not confirm");
}

void UseWatch::fault(Account& account, Instant at, bool at_once, const std::string& what) {
    auto& faults = account.memory().faults;
    faults.push_back(faults.empty() ? at : std::max(at, faults.back()));
    while (faults.size() > faults_to_tell || faults.front() + fault_memory < at)
        faults.erase(faults.begin());
    const bool is_on = account.settings.watches(AlarmKind::counter_fault);
    if (!is_on || (!at_once && faults.size() < faults_to_tell)) return;
    EvidenceBuilder evidence(zone_);
    evidence.at("at", at).whole("faults_within_a_day", static_cast<std::int64_t>(faults.size()));
    desk_.raise(account, AlarmKind::counter_fault, at,
                std::move(evidence).saying(fmt::format(
                    "Check the counting at {}: at {} {}. Compare the register with the meter's face. Ticks "
                    "may be missing, or there may be too many.",
                    account.id, in_words(at, zone_), what)));
}

}  // namespace tickledger
