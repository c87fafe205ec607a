// The JSON documents for both the broker's subscribers and the socket's clients, so that both get the same
// form and the same numbers.
#pragma once

#include <array>
#include <cmath>
#include <optional>
#include <span>
#include <string>

#include "book/summary.hpp"
#include "core/json_writer.hpp"
#include "store/ledger.hpp"
#include "tickledger/alarm.hpp"
#include "tickledger/civil.hpp"
#include "tickledger/pulse_value.hpp"

namespace tickledger {

/// The volume of ticks as an exact decimal in litres, to the millilitre: "1234.567".
[[nodiscard]] std::string volume_l_text(std::span<const ValuedTicks> valued);
/// What the register shows after all ticks of a meter, in cubic metres to the millilitre: "1.234567". If the
/// register's digits start again at 0 (`register_range`), so does this.
[[nodiscard]] std::string register_m3_text(std::span<const ValuedTicks> total, const MeterSettings& meter,
                                           const RegisterMemory& memory);
/// The volume of ticks in litres, to the millilitre, for the text and the figures of an alarm. `meter`: the
/// settings in force (Account::in_force).
[[nodiscard]] inline double volume_l(std::int64_t ticks, const MeterSettings& meter) {
    return std::round(volume_l(std::array{ValuedTicks{ticks, meter.pulse_value_l}}) * 1000) / 1000;
}
/// A flow with three decimals, or "null". A flow is an estimate: a thousandth of a litre an hour is far below
/// what ticks can show.
[[nodiscard]] std::string flow_text(std::optional<double> flow_l_per_h);

/// Adds the members of a row: from, to, ticks, volume_l, covered_s, spread_ticks, revision. Without a row
/// there is no data: ticks and volume are null. `from`, `to`: the row's span as text in the zone's time.
/// `valued`: the row's ticks by pulse value.
void add_row(JsonObject& object, std::string_view from, std::string_view to, const std::optional<Row>& row,
             std::span<const ValuedTicks> valued);

/// A closed row as it is published: the same members, with `meter` before them and `mean_flow_l_per_h` after.
[[nodiscard]] std::string row_publication(const std::string& meter, const MeterSettings& settings, Span span,
                                          const std::optional<Row>& row, std::span<const ValuedTicks> valued,
                                          const CivilZone& zone);
/// Members: time, flow_l_per_h, register_m3, today_l.
[[nodiscard]] std::string now_publication(const MeterSummary& summary, const std::string& register_m3,
                                          std::span<const ValuedTicks> today, const CivilZone& zone);

/// Members: id, meter, kind, state, raised_at, cleared_at, acknowledged_at, shelved_until, evidence, text.
[[nodiscard]] std::string alarm_document(const Alarm& alarm, const std::string& meter, const CivilZone& zone);

}  // namespace tickledger
