// What answers and publications say about a meter, read from the account's memory.
#pragma once

#include <optional>

#include "book/account.hpp"

namespace tickledger {

struct MeterSummary {
    std::optional<Instant> last_reading_at;
    std::int64_t total_ticks = 0;
    /// The node's last count: ticks or, from a reader of the register, the whole pulse values that it shows.
    std::optional<std::uint64_t> last_count;
    RegisterMemory meter_register;
    /// The flow over the last booked span. Nothing if the newest entry does not cover its span, if the span
    /// has no length, or if it is so short that its ticks would be a flow that the meter cannot have.
    std::optional<double> flow_l_per_h;
    /// That span, and its ticks.
    std::optional<Span> last_span;
    std::int64_t last_span_ticks = 0;
    /// The beginning of the tick-free stretch that lasts up to the newest entry.
    std::optional<Instant> still_since;
    /// The reading that waits for the next one; or the readings that may have waited at the node, with
    /// `time_estimated`.
    std::optional<Entry> held;
    /// Intervals that end at or before this moment are closed.
    std::optional<Instant> closed_until;
    std::optional<Instant> heard_at;
    bool clock_disbelieved = false;
    std::optional<ToldAway> away;
};

[[nodiscard]] MeterSummary summarise(const AccountMemory& memory, const MeterSettings& settings,
                                     const CivilZone& zone);
/// The same, from the ledger's record. Fails on a damaged memory.
[[nodiscard]] Result<MeterSummary> summarise(const MeterRecord& record, const MeterSettings& settings,
                                             const CivilZone& zone);

}  // namespace tickledger
