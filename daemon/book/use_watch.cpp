#include "book/use_watch.hpp"

#include <fmt/format.h>

#include <cmath>
#include <nlohmann/json.hpp>

#include "book/documents.hpp"
#include "tickledger/hours.hpp"

namespace tickledger {

namespace {

using Json = nlohmann::ordered_json;

/// So many strays or holes within a day are more than a bad moment of the radio.
constexpr std::size_t faults_to_tell = 3;
constexpr Duration fault_memory = std::chrono::hours{24};

double rounded(double value) {
    return std::round(value * 10) / 10;
}

}  // namespace

void UseWatch::follow(Account& account, const Entry& entry) {
    if (entry.kind == EntryKind::adjustment) return;
    follow_high_flow(account, entry);
    follow_long_draw(account, entry);
    follow_away(account, entry);
    follow_faults(account, entry);
}

void UseWatch::follow_high_flow(Account& account, const Entry& entry) {
    const MeterSettings& meter = account.settings;
    if (!meter.alarms.is_on(AlarmKind::high_flow)) return;
    HighFlow& flow = account.memory.high_flow;
    if (flow.add(entry, meter) && !AlarmDesk::is_active(account, AlarmKind::high_flow)) {
        const Span run = flow.run();
        const double litres = volume_l(flow.run_ticks(), meter);
        const double l_per_h = litres / hours_of(run.length());
        Json json;
        json["from"] = zone_.format(run.from);
        json["to"] = zone_.format(run.to);
        json["ticks"] = flow.run_ticks();
        json["flow_l_per_h"] = rounded(l_per_h);
        json["estimated_l_per_day"] = std::round(l_per_h * 24);
        desk_.raise(
            account, AlarmKind::high_flow, entry.span.to,
            {json.dump(),
             fmt::format(
                 "Water runs unusually fast at {}: about {:.0f} litres an hour for {:.0f} minutes, {:.0f} "
                 "litres since {}. If nobody is using that much, a pipe or hose may have burst: look, "
                 "and shut the main valve. (A household hint, not a safety device.)",
                 meter.id, l_per_h, hours_of(run.length()) * 60, litres, zone_.format(run.from))});
    }
    if (flow.is_over(meter)) desk_.clear(account, AlarmKind::high_flow, entry.span.to);
}

void UseWatch::follow_long_draw(Account& account, const Entry& entry) {
    const MeterSettings& meter = account.settings;
    if (!meter.alarms.is_on(AlarmKind::long_draw)) return;
    LongDraw& draw = account.memory.long_draw;
    if (draw.add(entry, meter) && !AlarmDesk::is_active(account, AlarmKind::long_draw)) {
        const double litres = volume_l(draw.ticks(), meter);
        const double open_h = hours_of(entry.span.to - draw.since()) + hours_of(entry.span.length());
        Json json;
        json["from"] = zone_.format(draw.since());
        json["to"] = zone_.format(entry.span.to);
        json["ticks"] = draw.ticks();
        json["volume_l"] = litres;
        json["estimated_l_per_day"] = std::round(litres / open_h * 24);
        desk_.raise(
            account, AlarmKind::long_draw, entry.span.to,
            {json.dump(),
             fmt::format(
                 "One use of water at {} has not ended since {}: {:.0f} litres so far, about {:.0f} a "
                 "day if it goes on. Is a tap or a hose still open? (A household hint, not a safety "
                 "device.)",
                 meter.id, zone_.format(draw.since()), litres, litres / open_h * 24)});
    }
    if (!draw.is_open()) desk_.clear(account, AlarmKind::long_draw, entry.span.to);
}

void UseWatch::follow_away(Account& account, const Entry& entry) {
    const MeterSettings& meter = account.settings;
    const auto& still_since = account.memory.still_since;
    const bool is_still = still_since && entry.span.to - *still_since >= meter.alarms.still_for;
    if (!meter.alarms.is_on(AlarmKind::away_use) || is_still) {
        desk_.clear(account, AlarmKind::away_use, entry.span.to);
        return;
    }
    if (entry.ticks <= 0 || AlarmDesk::is_active(account, AlarmKind::away_use)) return;
    const double litres = volume_l(entry.ticks, meter);
    Json json;
    json["from"] = zone_.format(entry.span.from);
    json["to"] = zone_.format(entry.span.to);
    json["ticks"] = entry.ticks;
    json["volume_l"] = litres;
    json["estimated_l_per_day"] =
        std::round(litres / std::max(hours_of(entry.span.length()), 1.0 / 3600) * 24);
    desk_.raise(account, AlarmKind::away_use, entry.span.to,
                {json.dump(),
                 fmt::format("Water ran at {} while everybody is away: {:g} litres between {} and {}. Is "
                             "somebody in the house, or does something leak? (A household hint, not a "
                             "safety device.)",
                             meter.id, litres, zone_.format(entry.span.from), zone_.format(entry.span.to))});
}

void UseWatch::follow_faults(Account& account, const Entry& entry) {
    if (entry.kind == EntryKind::preset) {
        fault(account, entry.span.to, true,
              "the count jumped to another value, as if it had been set by hand");
    } else if (entry.kind == EntryKind::lost) {
        fault(account, entry.span.to, false, "messages with pulses never came");
    } else if (!account.memory.faults.empty() &&
               entry.span.to - account.memory.faults.back() >= fault_memory) {
        account.memory.faults.clear();
        desk_.clear(account, AlarmKind::counter_fault, entry.span.to);
    }
}

void UseWatch::stray(Account& account, Instant at) {
    fault(account, at, false, "a count came that fits neither what came before nor what came after it");
}

void UseWatch::fault(Account& account, Instant at, bool at_once, const std::string& what) {
    auto& faults = account.memory.faults;
    faults.push_back(faults.empty() ? at : std::max(at, faults.back()));
    while (faults.size() > faults_to_tell || faults.front() + fault_memory < at)
        faults.pop_front();
    const bool is_on = account.settings.alarms.is_on(AlarmKind::counter_fault);
    if (!is_on || (!at_once && faults.size() < faults_to_tell)) return;
    Json json;
    json["at"] = zone_.format(at);
    json["faults_within_a_day"] = faults.size();
    desk_.raise(
        account, AlarmKind::counter_fault, at,
        {json.dump(), fmt::format("The counting at {} needs a look: at {} {}. Compare the register with the "
                                  "meter's face; ticks may be missing or too many.",
                                  account.settings.id, zone_.format(at), what)});
}

}  // namespace tickledger
