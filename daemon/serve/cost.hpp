// The cost of a row's water by the tariff of the configuration.
#pragma once

#include <optional>
#include <string>

#include "book/valuation.hpp"
#include "configuration/configuration.hpp"

namespace tickledger {

/// Decimal digits of a cost: hundredths of a cent, because the water of a quarter of an hour may cost less
/// than a cent.
inline constexpr int digits_cost = 4;

/// Adds the exact price of each day's volume and, in rows of a day or longer, the standing charge of each
/// day. The sum is rounded once, half to even. Nothing if no price is known for part of the row.
[[nodiscard]] Result<std::optional<std::string>> cost_of(Span row, Step step, std::int64_t ticks,
                                                         const PulseValues& values,
                                                         const TariffSettings& tariff, const CivilZone& zone,
                                                         const TicksOfRow& ticks_of_row);

}  // namespace tickledger
