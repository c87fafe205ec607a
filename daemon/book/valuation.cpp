#include "book/valuation.hpp"

#include <algorithm>

#include "book/history_rules.hpp"

namespace tickledger {

PulseValues pulse_values(const MeterSettings& settings, const RegisterMemory& memory, const CivilZone& zone) {
    std::vector<PulseValueChange> changes;
    for (const DatedPulseValue& dated : settings.pulse_value_changes)
        changes.push_back({zone.start_of(dated.from), dated.pulse_value_l});
    for (const AppliedPulseValue& applied : memory.pulse_values)
        changes.push_back({applied.from, {applied.numerator, applied.denominator}});
    return PulseValues(settings.pulse_value_l, std::move(changes));
}

Ratio register_start_l(const MeterSettings& settings, const RegisterMemory& memory) {
    if (!memory.start_ul) return settings.register_start_l;
    return {*memory.start_ul, 1'000'000};
}

Result<std::int64_t> ticks_between(Instant from, Instant to, const CivilZone& zone,
                                   const TicksOfRow& ticks_of_row) {
    std::int64_t sum = 0;
    while (from < to) {
        Span row;
        Step step = Step::year;
        for (const Step candidate : {Step::year, Step::month, Step::day}) {
            step = candidate;
            row = zone.row_at(step, {}, from);
            if (row.from == from && row.to <= to) break;
        }
        const auto ticks = ticks_of_row(step, row.from);
        if (!ticks) return ticks;
        sum += *ticks;
        from = row.to;
    }
    return sum;
}

Result<std::vector<ValuedTicks>> valued_row(Span row, std::int64_t ticks, const PulseValues& values,
                                            const CivilZone& zone, const TicksOfRow& ticks_of_row) {
    std::vector<Instant> cuts;
    for (const PulseValueChange& change : values.changes())
        cuts.push_back(change.from);
    std::erase_if(cuts, [row](Instant cut) { return cut <= row.from || cut >= row.to; });

    std::vector<ValuedTicks> parts;
    Instant from = row.from;
    for (const Instant cut : cuts) {
        const auto part = ticks_between(from, cut, zone, ticks_of_row);
        if (!part) return tl::unexpected(part.error());
        parts.push_back({*part, values.at(from)});
        ticks -= *part;
        from = cut;
    }
    parts.push_back({ticks, values.at(from)});
    return parts;
}

Result<std::vector<ValuedTicks>> valued_total(std::int64_t total_ticks, const RegisterMemory& memory,
                                              const PulseValues& values, const CivilZone& zone,
                                              const TicksOfRow& ticks_of_row) {
    if (values.changes().empty() || !memory.first_at)
        return std::vector<ValuedTicks>{{total_ticks, values.latest()}};
    // Rows before the day of the first reading hold history, which is not part of the register.
    const Span always{history_end(*memory.first_at, zone), Instant::max()};
    return valued_row(always, total_ticks, values, zone, ticks_of_row);
}

}  // namespace tickledger
