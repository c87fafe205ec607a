// What a meter's settings say about its answers.
#pragma once

#include <cstdint>
#include <string>

#include "tickledger/meter.hpp"

namespace tickledger {

/// The volume of ticks as an exact decimal in litres, to the millilitre: "1234.567".
[[nodiscard]] std::string volume_l_text(std::int64_t ticks, const MeterSettings& meter);

/// What the register shows after so many ticks, in cubic metres, to the millilitre.
[[nodiscard]] std::string volume_m3_text(std::int64_t ticks, const MeterSettings& meter);

}  // namespace tickledger
