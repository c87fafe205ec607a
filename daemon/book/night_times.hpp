// The nights of a meter, as its settings define them, one after the other.
#pragma once

#include "tickledger/civil.hpp"
#include "tickledger/meter.hpp"

namespace tickledger {

/// The first night of a meter that ends after `t`.
[[nodiscard]] Span night_after(const CivilZone& zone, const AlarmSettings& alarms, Instant t);
/// The last night that ends at or before `t`.
[[nodiscard]] Span night_before(const CivilZone& zone, const AlarmSettings& alarms, Instant t);

}  // namespace tickledger
