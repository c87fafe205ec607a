#include "book/summary.hpp"

#include <algorithm>

#include "book/valuation.hpp"

namespace tickledger {

namespace {

/// The readings that are kept until it is clear whether they had waited at the node, as one entry.
std::optional<Entry> kept_entry(const AccountMemory& memory) {
    const auto& last = memory.counter.last;
    if (!last || !memory.backlog || memory.backlog->readings.empty()) return std::nullopt;
    const Instant newest_at = memory.backlog->readings.back().message.arrived_at;
    return Entry{.span = {last->at, std::max(last->at, newest_at)},
                 .kind = EntryKind::held,
                 .time_estimated = true,
                 .begin_count = last->count,
                 .end = {}};
}

}  // namespace

MeterSummary summarise(const AccountMemory& memory, const MeterSettings& settings, const CivilZone& zone) {
    MeterSummary summary;
    if (const auto& last = memory.counter.last) {
        summary.last_reading_at = last->at;
        summary.last_count = last->count;
    }
    summary.total_ticks = memory.total_ticks;
    summary.meter_register = memory.meter_register;
    summary.last_span = memory.last_span;
    summary.last_span_ticks = memory.last_span_ticks;
    summary.still_since = memory.still_since;
    if (memory.last_span) {
        const double pulse_value_l = pulse_values(settings, memory.meter_register, zone)
                                         .at(memory.last_span->to - Duration{1})
                                         .value();
        summary.flow_l_per_h =
            possible_flow_l_per_h(static_cast<double>(memory.last_span_ticks) * pulse_value_l,
                                  memory.last_span->length(), settings);
    }
    summary.held = kept_entry(memory);
    if (!summary.held) summary.held = held_entry(memory.counter);
    summary.closed_until = memory.closed_until;
    summary.heard_at = memory.heard_at;
    summary.clock_disbelieved = memory.clock_disbelieved;
    summary.away = memory.away;
    return summary;
}

Result<MeterSummary> summarise(const MeterRecord& record, const MeterSettings& settings,
                               const CivilZone& zone) {
    if (record.state.empty()) return MeterSummary{};
    const auto memory = memory_from_record(record.state);
    if (!memory) return fail("meter " + record.id + ": " + memory.error().text);
    return summarise(*memory, settings, zone);
}

}  // namespace tickledger
