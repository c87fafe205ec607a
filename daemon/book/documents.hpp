// The JSON documents that both the broker's subscribers and the socket's clients see.
#pragma once

#include <nlohmann/json_fwd.hpp>
#include <optional>
#include <string>

#include "book/summary.hpp"
#include "store/ledger.hpp"
#include "tickledger/alarm.hpp"
#include "tickledger/civil.hpp"

namespace tickledger {

/// A volume of ticks as a number with its stated digits: litres, millilitre last.
[[nodiscard]] double volume_l(std::int64_t ticks, const MeterSettings& meter);
/// What the register shows after so many ticks, in cubic metres with six digits.
[[nodiscard]] double register_m3(std::int64_t total_ticks, const MeterSettings& meter);

/// A row of a series: from, to, ticks, volume_l, covered_s, spread_ticks, revision. No row: no data,
/// null ticks and volume.
[[nodiscard]] nlohmann::ordered_json usage_document(Span span, const std::optional<Row>& row,
                                                    const MeterSettings& meter, const CivilZone& zone);

/// A closed row as it is published: the same with `meter` before it and `mean_flow_l_per_h` after.
[[nodiscard]] std::string usage_publication(Span span, const Row& row, const MeterSettings& meter,
                                            const CivilZone& zone);
[[nodiscard]] std::string day_publication(Span day, const std::optional<Row>& row, const MeterSettings& meter,
                                          const CivilZone& zone);
/// time, flow_l_per_h, register_m3, today_l.
[[nodiscard]] std::string now_publication(const MeterSummary& summary, std::int64_t ticks_today,
                                          const MeterSettings& meter, const CivilZone& zone);

/// id, meter, kind, state, raised_at, cleared_at, evidence, text.
[[nodiscard]] nlohmann::ordered_json alarm_document(const Alarm& alarm, const std::string& meter,
                                                    const CivilZone& zone);

}  // namespace tickledger
