// From ticks to volumes when the pulse value changes over time: which ticks stand for which volume.
#pragma once

#include <functional>
#include <vector>

#include "book/account.hpp"
#include "tickledger/civil.hpp"
#include "tickledger/pulse_value.hpp"
#include "tickledger/result.hpp"

namespace tickledger {

/// The pulse values of a meter: those of its settings and those that a calibration applied. If both change on
/// the same day, the calibration's value counts.
[[nodiscard]] PulseValues pulse_values(const MeterSettings& settings, const RegisterMemory& memory,
                                       const CivilZone& zone);

/// What the register showed at the first booked reading, in litres: as a reading by eye gave it, otherwise as
/// configured.
[[nodiscard]] Ratio register_start_l(const MeterSettings& settings, const RegisterMemory& memory);

/// The ticks of a row of a series; 0 if nothing of it is stored.
using TicksOfRow = std::function<Result<std::int64_t>(Step step, Instant begin)>;

/// The ticks of all days in [from, to), both civil midnights, summed from the largest rows that fit.
[[nodiscard]] Result<std::int64_t> ticks_between(Instant from, Instant to, const CivilZone& zone,
                                                 const TicksOfRow& ticks_of_row);

/// The ticks of a row, split by pulse value.
[[nodiscard]] Result<std::vector<ValuedTicks>> valued_row(Span row, std::int64_t ticks,
                                                          const PulseValues& values, const CivilZone& zone,
                                                          const TicksOfRow& ticks_of_row);

/// All ticks of a meter since its first reading, split by pulse value.
[[nodiscard]] Result<std::vector<ValuedTicks>> valued_total(std::int64_t total_ticks,
                                                            const RegisterMemory& memory,
                                                            const PulseValues& values, const CivilZone& zone,
                                                            const TicksOfRow& ticks_of_row);

}  // namespace tickledger
