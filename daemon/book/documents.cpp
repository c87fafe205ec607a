#include "book/documents.hpp"

#include <cmath>
#include <nlohmann/json.hpp>

namespace tickledger {

namespace {

using Json = nlohmann::ordered_json;

double stated(std::int64_t scaled, int digits) {
    // The nearest double to a decimal prints as that decimal again.
    return std::stod(decimal(scaled, digits));
}

Json or_null(const std::optional<double>& value) {
    return value ? Json(*value) : Json();
}

/// Flows are estimates; a thousandth of a litre an hour is far below what ticks can tell.
double rounded_flow(double flow_l_per_h) {
    return std::round(flow_l_per_h * 1000.0) / 1000.0;
}

Json published_row(Span span, const std::optional<Row>& row, const MeterSettings& meter,
                   const CivilZone& zone) {
    Json document;
    document["meter"] = meter.id;
    document.update(usage_document(span, row, meter, zone));
    const bool has_flow = row && row->covered > Duration{0};
    if (has_flow) {
        const double hours = std::chrono::duration<double, std::ratio<3600>>(row->covered).count();
        document["mean_flow_l_per_h"] =
            rounded_flow(static_cast<double>(row->ticks) * meter.pulse_value_l.value() / hours);
    } else {
        document["mean_flow_l_per_h"] = nullptr;
    }
    return document;
}

}  // namespace

double volume_l(std::int64_t ticks, const MeterSettings& meter) {
    return stated(scaled_volume(ticks, meter.pulse_value_l, {0, 1}, 1, digits_l), digits_l);
}

double register_m3(std::int64_t total_ticks, const MeterSettings& meter) {
    return stated(scaled_volume(total_ticks, meter.pulse_value_l, meter.register_start_l, 1000, digits_m3),
                  digits_m3);
}

Json usage_document(Span span, const std::optional<Row>& row, const MeterSettings& meter,
                    const CivilZone& zone) {
    Json document;
    document["from"] = zone.format(span.from);
    document["to"] = zone.format(span.to);
    document["ticks"] = row ? Json(row->ticks) : Json();
    document["volume_l"] = row ? Json(volume_l(row->ticks, meter)) : Json();
    document["covered_s"] = row ? std::chrono::floor<std::chrono::seconds>(row->covered).count() : 0;
    document["spread_ticks"] = row ? row->spread_ticks : 0;
    document["revision"] = row ? row->revision : 0;
    return document;
}

std::string usage_publication(Span span, const Row& row, const MeterSettings& meter, const CivilZone& zone) {
    return published_row(span, row, meter, zone).dump();
}

std::string day_publication(Span day, const std::optional<Row>& row, const MeterSettings& meter,
                            const CivilZone& zone) {
    return published_row(day, row, meter, zone).dump();
}

std::string now_publication(const MeterSummary& summary, std::int64_t ticks_today, const MeterSettings& meter,
                            const CivilZone& zone) {
    Json document;
    document["time"] = summary.last_reading_at ? Json(zone.format(*summary.last_reading_at)) : Json();
    document["flow_l_per_h"] =
        or_null(summary.flow_l_per_h ? std::optional(rounded_flow(*summary.flow_l_per_h)) : std::nullopt);
    document["register_m3"] = register_m3(summary.total_ticks, meter);
    document["today_l"] = volume_l(ticks_today, meter);
    return document.dump();
}

Json alarm_document(const Alarm& alarm, const std::string& meter, const CivilZone& zone) {
    Json document;
    document["id"] = alarm.id;
    document["meter"] = meter;
    document["kind"] = name_of(alarm.kind);
    document["state"] = name_of(alarm.state);
    document["raised_at"] = zone.format(alarm.raised_at);
    document["cleared_at"] = alarm.cleared_at ? Json(zone.format(*alarm.cleared_at)) : Json();
    document["evidence"] = Json::parse(alarm.evidence, nullptr, false);
    document["text"] = alarm.text;
    return document;
}

}  // namespace tickledger
