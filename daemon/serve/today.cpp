// GET /v1/meters/{id}/today: today and yesterday beside a usual day, and whether water runs now.
#include <array>

#include "book/documents.hpp"
#include "serve/meter_facts.hpp"
#include "serve/register_words.hpp"
#include "serve/usual.hpp"

namespace tickledger {

namespace {

/// The day as a row of usage, with the most that may have run unseen in it.
Result<std::string> describe(LedgerView& view, const FoundMeter& meter, const MeterDays& days, Span day,
                             const CivilZone& zone) {
    const auto found = days.row(Step::day, day.from);
    if (!found) return tl::unexpected(found.error());
    const Ratio value = days.value_at(day.from);
    JsonObject object;
    add_row(object, zone.format(day.from), zone.format(day.to), *found,
            std::array{ValuedTicks{*found ? (*found)->ticks : 0, value}});
    std::int64_t unseen_ticks_max = 0;
    if (meter.record) {
        const auto unseen = view.unseen(meter.record->key, day);
        if (!unseen) return tl::unexpected(unseen.error());
        for (const Entry& entry : *unseen)
            unseen_ticks_max += tickledger::unseen_ticks_max(entry, *meter.settings);
    }
    object.whole("unseen_ticks_max", unseen_ticks_max);
    object.raw("unseen_l_max", volume_l_text(std::array{ValuedTicks{unseen_ticks_max, value}}));
    return std::move(object).finish();
}

std::string describe(const std::optional<UsualDay>& usual, Duration since_midnight) {
    if (!usual) return "null";
    JsonObject object;
    object.whole("days", static_cast<std::int64_t>(usual->courses.size()));
    object.raw("volume_l", decimal(usual->volume_ml, digits_l));
    object.raw("low_l", decimal(usual->low_ml, digits_l));
    object.raw("high_l", decimal(usual->high_ml, digits_l));
    object.raw("until_now_l", decimal(usual->until_ml(since_midnight), digits_l));
    return std::move(object).finish();
}

std::string last_span(const MeterSummary& summary, const MeterSettings& settings, const CivilZone& zone,
                      Instant now) {
    if (!summary.last_span) return "null";
    JsonObject object;
    object.text("from", zone.format(summary.last_span->from));
    object.text("to", zone.format(summary.last_span->to));
    object.whole("ticks", summary.last_span_ticks);
    object.raw("flow_l_per_h", flow_text(summary.flow_l_per_h));
    add_flow_age(object, summary, settings, now);
    object.optional_text(
        "still_since", summary.still_since ? std::optional(zone.format(*summary.still_since)) : std::nullopt);
    return std::move(object).finish();
}

Result<std::string> document_of(const Call& call, LedgerView& view, const FoundMeter& meter) {
    const CivilZone& zone = call.parts.zone;
    MeterSummary summary;
    if (meter.record) {
        auto summarised = call.parts.summarise(*meter.record, *meter.settings);
        if (!summarised) return tl::unexpected(summarised.error());
        summary = *std::move(summarised);
    }
    const MeterDays days(view, meter, summary, zone);
    const Instant now = call.parts.now();
    const Span today = days.day_at(now);
    const auto of_today = describe(view, meter, days, today, zone);
    if (!of_today) return of_today;
    const auto of_yesterday = describe(view, meter, days, days.day_at(today.from - Duration{1}), zone);
    if (!of_yesterday) return of_yesterday;
    const auto usual = usual_day(days, today, zone);
    if (!usual) return tl::unexpected(usual.error());

    JsonObject document;
    document.text("meter", meter.id);
    document.text("timezone", zone.name());
    document.text("time", zone.format(now));
    document.whole("cadence_s", std::chrono::floor<std::chrono::seconds>(meter.settings->cadence).count());
    document.raw("last_span", last_span(summary, *meter.settings, zone, now));
    document.raw("today", *of_today);
    document.raw("yesterday", *of_yesterday);
    document.raw("usual", describe(*usual, now - today.from));
    return std::move(document).finish();
}

}  // namespace

Response get_today(const Call& call) {
    const auto view = call.fresh_view();
    if (!view) return view.error();
    const auto meter = find_meter(call, **view);
    if (!meter) return meter.error();
    const auto document = document_of(call, **view, *meter);
    if (!document) return ledger_problem(document.error());
    Response response;
    response.body = *document + "\n";
    return response;
}

}  // namespace tickledger
