#include "book/documents.hpp"

#include <fmt/format.h>

#include <nlohmann/json.hpp>

#include "book/valuation.hpp"

namespace tickledger {

namespace {

constexpr Ratio nothing{0, 1};

/// The mean flow over the covered part of a row.
std::optional<double> mean_flow_l_per_h(const std::optional<Row>& row, std::span<const ValuedTicks> valued,
                                        const MeterSettings& settings) {
    if (!row) return std::nullopt;
    return possible_flow_l_per_h(volume_l(valued), row->covered, settings);
}

/// A row that nothing covers and no tick falls into holds no data: an adjustment in it was taken back.
bool is_empty(const std::optional<Row>& row) {
    return !row || (row->ticks == 0 && row->covered == Duration{0});
}

}  // namespace

std::string volume_l_text(std::span<const ValuedTicks> valued) {
    return decimal(scaled_volume(valued, nothing, 1, digits_l), digits_l);
}

std::string register_m3_text(std::span<const ValuedTicks> total, const MeterSettings& meter,
                             const RegisterMemory& memory) {
    std::int64_t shown = scaled_volume(total, register_start_l(meter, memory), 1000, digits_m3);
    const std::int64_t range = scaled_volume(1, meter.register_range_l, nothing, 1000, digits_m3);
    if (range > 0) shown = (shown % range + range) % range;
    return decimal(shown, digits_m3);
}

std::string flow_text(std::optional<double> flow_l_per_h) {
    return flow_l_per_h ? fmt::format("{:.3f}", *flow_l_per_h) : "null";
}

void add_row(JsonObject& object, std::string_view from, std::string_view to, const std::optional<Row>& row,
             std::span<const ValuedTicks> valued) {
    object.text("from", from);
    object.text("to", to);
    if (!is_empty(row)) {
        object.whole("ticks", row->ticks);
        object.raw("volume_l", volume_l_text(valued));
    } else {
        // No data is not zero.
        object.null("ticks");
        object.null("volume_l");
    }
    const Row known = row.value_or(Row{});
    object.whole("covered_s", std::chrono::floor<std::chrono::seconds>(known.covered).count());
    object.whole("spread_ticks", known.spread_ticks);
    object.whole("revision", known.revision);
}

std::string row_publication(const std::string& meter, const MeterSettings& settings, Span span,
                            const std::optional<Row>& row, std::span<const ValuedTicks> valued,
                            const CivilZone& zone) {
    JsonObject document;
    document.text("meter", meter);
    add_row(document, zone.format(span.from), zone.format(span.to), row, valued);
    document.raw("mean_flow_l_per_h", flow_text(mean_flow_l_per_h(row, valued, settings)));
    return std::move(document).finish();
}

std::string now_publication(const MeterSummary& summary, const std::string& register_m3,
                            std::span<const ValuedTicks> today, const CivilZone& zone) {
    JsonObject document;
    document.optional_text("time", summary.last_reading_at
                                       ? std::optional(zone.format(*summary.last_reading_at))
                                       : std::nullopt);
    document.raw("flow_l_per_h", flow_text(summary.flow_l_per_h));
    document.raw("register_m3", register_m3);
    document.raw("today_l", volume_l_text(today));
    return std::move(document).finish();
}

std::string alarm_document(const Alarm& alarm, const std::string& meter, const CivilZone& zone) {
    JsonObject document;
    document.whole("id", alarm.id);
    document.text("meter", meter);
    document.text("kind", name_of(alarm.kind));
    document.text("state", name_of(alarm.state));
    document.text("raised_at", zone.format(alarm.raised_at));
    const auto optional_time = [&](const std::optional<Instant>& moment) {
        return moment ? std::optional(zone.format(*moment)) : std::nullopt;
    };
    document.optional_text("cleared_at", optional_time(alarm.cleared_at));
    document.optional_text("acknowledged_at", optional_time(alarm.acknowledged_at));
    document.optional_text("shelved_until", optional_time(alarm.shelved_until));
    document.raw("evidence", nlohmann::json::accept(alarm.evidence) ? alarm.evidence : "{}");
    document.text("text", alarm.text);
    return std::move(document).finish();
}

}  // namespace tickledger
