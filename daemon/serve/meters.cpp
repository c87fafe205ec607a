// GET /v1/meters: each meter with its register, its flow now, and whether people are away.
#include <fmt/format.h>

#include "book/documents.hpp"
#include "serve/away.hpp"
#include "serve/meter_facts.hpp"
#include "tickledger/stillness.hpp"

namespace tickledger {

namespace {

Result<std::string> describe(const ApiParts& parts, LedgerView& view, const FoundMeter& meter) {
    MeterSummary summary;
    if (meter.record) {
        auto summarised = parts.summarise(*meter.record, *meter.settings);
        if (!summarised) return tl::unexpected(summarised.error());
        summary = *std::move(summarised);
    }
    JsonObject object;
    object.text("id", meter.id);
    add_names(object, *parts.configuration, meter.id);
    const PulseValues values = pulse_values(*meter.settings, summary.meter_register, parts.zone);
    object.raw("pulse_value_l", fmt::format("{}", values.at(parts.now()).value()));
    if (summary.last_reading_at) {
        object.text("last_reading_at", parts.zone.format(*summary.last_reading_at));
        const auto total = total_of(view, meter, summary, values, parts.zone);
        if (!total) return tl::unexpected(total.error());
        object.raw("register_m3", register_m3_text(*total, *meter.settings, summary.meter_register));
    } else {
        object.null("last_reading_at");
        object.null("register_m3");
    }
    object.raw("flow_l_per_h", flow_text(summary.flow_l_per_h));
    add_flow_age(object, summary, *meter.settings, parts.now());
    object.raw("smallest_visible_leak_l_per_h", flow_text(smallest_visible_leak_l_per_h(*meter.settings)));
    add_away(object, parts, meter, summary);
    return std::move(object).finish();
}

}  // namespace

Response get_meters(const Call& call) {
    const auto view = call.fresh_view();
    if (!view) return view.error();
    const auto meters = all_meters(call.parts, **view);
    if (!meters) return ledger_problem(meters.error());
    JsonArray list;
    for (const FoundMeter& meter : *meters) {
        const auto described = describe(call.parts, **view, meter);
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
