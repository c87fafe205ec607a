// GET /v1/meters: each meter with its register and its flow now.
#include "serve/meters.hpp"

#include <fmt/format.h>

#include "serve/call.hpp"
#include "serve/json_writer.hpp"
#include "tickledger/stillness.hpp"

namespace tickledger {

namespace {

constexpr Ratio nothing{0, 1};

std::string flow_text(std::optional<double> flow_l_per_h) {
    return flow_l_per_h ? fmt::format("{:.3f}", *flow_l_per_h) : "null";
}

Result<std::string> describe(const ApiParts& parts, const FoundMeter& meter) {
    MeterSummary summary;
    if (meter.record) {
        auto summarised = parts.summarise(*meter.record, *meter.settings);
        if (!summarised) return tl::unexpected(summarised.error());
        summary = *std::move(summarised);
    }
    JsonObject object;
    object.text("id", meter.id);
    object.text("name", meter.id);
    object.raw("pulse_value_l", fmt::format("{}", meter.settings->pulse_value_l.value()));
    if (summary.last_reading_at) {
        object.text("last_reading_at", parts.zone.format(*summary.last_reading_at));
        object.raw("register_m3", volume_m3_text(summary.total_ticks, *meter.settings));
    } else {
        object.null("last_reading_at");
        object.null("register_m3");
    }
    object.raw("flow_l_per_h", flow_text(summary.flow_l_per_h));
    object.raw("smallest_visible_leak_l_per_h", flow_text(smallest_visible_leak_l_per_h(*meter.settings)));
    return std::move(object).finish();
}

}  // namespace

std::string volume_l_text(std::int64_t ticks, const MeterSettings& meter) {
    return decimal(scaled_volume(ticks, meter.pulse_value_l, nothing, 1, digits_l), digits_l);
}

std::string volume_m3_text(std::int64_t ticks, const MeterSettings& meter) {
    return decimal(scaled_volume(ticks, meter.pulse_value_l, meter.register_start_l, 1000, digits_m3),
                   digits_m3);
}

Response get_meters(const Call& call) {
    const auto view = call.settled_view();
    if (!view) return view.error();
    const auto meters = all_meters(call.parts, **view);
    if (!meters) return ledger_problem(meters.error());
    JsonArray list;
    for (const FoundMeter& meter : *meters) {
        const auto described = describe(call.parts, meter);
        if (!described) return ledger_problem(described.error());
        list.add(*described);
    }
    JsonObject document;
    document.raw("meters", std::move(list).finish());
    Response response;
    response.body = std::move(document).finish() + "\n";
    return response;
}

}  // namespace tickledger
