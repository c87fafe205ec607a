// What the water of a row costs, by the tariff of the configuration.
#pragma once

#include <optional>
#include <string>

#include "book/valuation.hpp"
#include "configuration/configuration.hpp"

namespace tickledger {

/// Digits of a stated cost: hundredths of a cent, since a quarter of an hour may cost less than one.
inline constexpr int digits_cost = 4;

/// The price of each day's volume, exactly, and in rows of a day and longer the standing charge of each of
/// their days; added, and rounded once, half to even. Nothing where no price is known for the whole row.
[[nodiscard]] Result<std::optional<std::string>> cost_of(Span row, Step step, std::int64_t ticks,
                                                         const PulseValues& values,
                                                         const TariffSettings& tariff, const CivilZone& zone,
                                                         const TicksOfRow& ticks_of_row);

}  // namespace tickledger
