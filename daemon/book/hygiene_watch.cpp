#include "book/hygiene_watch.hpp"

#include <fmt/format.h>

#include "book/documents.hpp"
#include "tickledger/words.hpp"

namespace tickledger {

void HygieneWatch::follow(Account& account, const Entry& entry) {
    if (entry.kind == EntryKind::adjustment) return;
    follow_backflow(account, entry);
    follow_stagnation(account, entry);
}

void HygieneWatch::follow_backflow(Account& account, const Entry& entry) {
    auto& ran_back = account.memory().ran_back;
    const Instant at = entry.span.to;
    if (!account.settings.watches(AlarmKind::backflow)) {
        ran_back.clear();
        return;
    }
    if (entry.kind != EntryKind::reverse) {
        const bool is_over = entry.kind == EntryKind::measured && !ran_back.empty() &&
                             at - ran_back.back().span.to >= ran_back_within;
        if (!is_over) return;
        ran_back.clear();
        desk_.clear(account, AlarmKind::backflow, at);
        return;
    }
    // While the alarm is active, only the last entry decides when it is over.
    const bool is_told = AlarmDesk::is_active(account, AlarmKind::backflow);
    std::erase_if(ran_back,
                  [&](const RanBack& one) { return is_told || one.span.to + ran_back_within < at; });
    ran_back.push_back({entry.span, -entry.ticks});
    if (is_told) return;
    std::int64_t ticks = 0;
    for (const RanBack& one : ran_back)
        ticks += one.ticks;
    if (ticks > ran_back_allowed)
        desk_.raise(account, AlarmKind::backflow, at, evidence_of_backflow(account, ticks));
}

Evidence HygieneWatch::evidence_of_backflow(const Account& account, std::int64_t ticks) const {
    const Span span{account.memory().ran_back.front().span.from, account.memory().ran_back.back().span.to};
    const double litres = volume_l(ticks, account.in_force(span).settings);
    EvidenceBuilder evidence(zone_);
    evidence.span(span).whole("ticks_back", ticks).estimate("volume_back_l", litres, 3);
    return std::move(evidence).saying(fmt::format(
        "Water ran backwards at {}: {} the register went back by {:g} litres. A check valve may fail to "
        "close while the pressure in the main drops; water from the house can then get into the drinking "
        "water, so the drinking water may be at risk. The cause may also be a trembling meter or sensor. "
        "Do not open a sealed meter. Call a licensed plumber to check the protection against backflow "
        "(EN 1717). If local rules require it, inform the water supplier.",
        account.id, in_words(span, zone_), litres));
}

void HygieneWatch::follow_stagnation(Account& account, const Entry& entry) {
    AccountMemory& memory = account.memory();
    const Instant at = entry.span.to;
    if (!account.settings.watches(AlarmKind::stagnation)) {
        memory.undrawn_since.reset();
        memory.last_drawn.reset();
        return;
    }
    if (entry.covers() && entry.ticks > 0) {
        memory.undrawn_since = at;
        memory.last_drawn = entry.span;
        desk_.clear(account, AlarmKind::stagnation, at);
        return;
    }
    if (entry.kind != EntryKind::measured) {
        // Water may have been drawn unseen, so no alarm is raised and none is cleared.
        memory.undrawn_since = at;
        memory.last_drawn.reset();
        return;
    }
    if (!memory.undrawn_since) memory.undrawn_since = entry.span.from;
    const Instant too_long = *memory.undrawn_since + account.settings.alarms.stagnant_for;
    if (at >= too_long && !AlarmDesk::is_active(account, AlarmKind::stagnation))
        desk_.raise(account, AlarmKind::stagnation, too_long, evidence_of_stagnation(account));
}

Evidence HygieneWatch::evidence_of_stagnation(const Account& account) const {
    const AccountMemory& memory = account.memory();
    const Duration stagnant_for = account.settings.alarms.stagnant_for;
    EvidenceBuilder evidence(zone_);
    if (memory.last_drawn) {
        evidence.span(*memory.last_drawn, "last_drawn_");
    } else {
        evidence.not_known("last_drawn_from").not_known("last_drawn_to");
    }
    evidence.at("undrawn_since", *memory.undrawn_since)
        .whole("stagnant_for_s", std::chrono::floor<std::chrono::seconds>(stagnant_for).count());
    const std::string last_flush =
        memory.last_drawn ? fmt::format("It was last drawn {}.", in_words(*memory.last_drawn, zone_))
                          : fmt::format("When it was last drawn is not known; it was before {}.",
                                        in_words(*memory.undrawn_since, zone_));
    return std::move(evidence).saying(fmt::format(
        "No water has been drawn at {} for {}. {} This is per meter, not per tap: a tap that nobody opens may "
        "hold older water. In water that stands and grows warm, legionella and other germs can grow. Before it "
        "is used again let every tap run, cold and hot, until the temperature no longer changes, and do not "
        "breathe the spray. VDI/DVGW 6023 names 72 hours, EN 806-5 seven days; local rules and your plumber "
        "come first.",
        account.id, in_words(stagnant_for), last_flush));
}

}  // namespace tickledger
