// Adds the members about being away to an answer.
#pragma once

#include "core/json_writer.hpp"
#include "serve/call.hpp"

namespace tickledger {

/// Adds `away` (whether people are away now) and `away_from` and `away_to`, the beginning and end of the
/// present or next absence. These are null if there is no absence or no such end.
void add_away(JsonObject& object, const ApiParts& parts, const FoundMeter& meter,
              const MeterSummary& summary);

}  // namespace tickledger
