// Members that answers give for a meter besides its volumes: its names, and the age of its flow.
#pragma once

#include <optional>
#include <string>

#include "book/summary.hpp"
#include "configuration/configuration.hpp"
#include "core/json_writer.hpp"

namespace tickledger {

/// Replaces "{1}" in a name, group or parent of a pattern by its value in the id. With the pattern
/// "flat-{1}", the meter "flat-7" and the text "Flat {1}" this is "Flat 7". Other texts are unchanged.
[[nodiscard]] std::string text_for(const std::string& text, const MeterSettings& settings,
                                   const std::string& id);

/// The configured names of the meter; texts that are not configured are empty.
[[nodiscard]] MeterNames names_of(const Configuration& configuration, const std::string& id);
/// Adds the members `name`, `group` and `parent`, null if not configured.
void add_names(JsonObject& object, const Configuration& configuration, const std::string& id);

/// The age of the end of the last booked span, whose flow is reported as the present flow; nothing if there
/// is none.
[[nodiscard]] std::optional<std::int64_t> flow_age_s(const MeterSummary& summary, Instant now);
/// True if the last flow holds for now: it is known, and at most two cadences old.
[[nodiscard]] bool is_flow_known(const MeterSummary& summary, const MeterSettings& settings, Instant now);

/// Adds the members `flow_known` and `flow_age_s`.
void add_flow_age(JsonObject& object, const MeterSummary& summary, const MeterSettings& settings,
                  Instant now);

}  // namespace tickledger
