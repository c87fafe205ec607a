// What answers tell of a meter beside its volumes: its names, and the age of its flow.
#pragma once

#include <optional>
#include <string>

#include "book/summary.hpp"
#include "configuration/configuration.hpp"
#include "core/json_writer.hpp"

namespace tickledger {

/// "{1}" in a name, group or parent of a pattern is what it is in the id: with the id "flat-{1}", the meter
/// "flat-7" and the text "Flat {1}" this is "Flat 7". Other texts stay as they are.
[[nodiscard]] std::string text_for(const std::string& text, const MeterSettings& settings,
                                   const std::string& id);

/// How people call the meter; texts are empty where nothing is configured.
[[nodiscard]] MeterNames names_of(const Configuration& configuration, const std::string& id);
/// The members `name`, `group` and `parent`, null where none is configured.
void add_names(JsonObject& object, const Configuration& configuration, const std::string& id);

/// How old the end of the last booked span is, whose flow is told as the flow of now; nothing without one.
[[nodiscard]] std::optional<std::int64_t> flow_age_s(const MeterSummary& summary, Instant now);
/// The last flow says something of now: it is known, and at most two cadences old.
[[nodiscard]] bool is_flow_known(const MeterSummary& summary, const MeterSettings& settings, Instant now);

/// The members `flow_known` and `flow_age_s`.
void add_flow_age(JsonObject& object, const MeterSummary& summary, const MeterSettings& settings,
                  Instant now);

}  // namespace tickledger
