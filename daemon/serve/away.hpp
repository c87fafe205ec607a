// Being away, as the answers show it.
#pragma once

#include "core/json_writer.hpp"
#include "serve/call.hpp"

namespace tickledger {

/// Adds `away` (whether people are away now), `away_from`, `away_to`: the time of absence that lasts or is to
/// come, null where it has no such end or there is none.
void add_away(JsonObject& object, const ApiParts& parts, const FoundMeter& meter,
              const MeterSummary& summary);

}  // namespace tickledger
