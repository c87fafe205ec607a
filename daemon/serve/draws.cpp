// GET /v1/meters/{id}/draws: the single uses of water, read out of the entries when they are asked for.
#include <fmt/format.h>

#include <algorithm>

#include "book/documents.hpp"
#include "serve/call.hpp"
#include "tickledger/draw.hpp"

namespace tickledger {

namespace {

using std::chrono::hours;

constexpr Duration longest_range = hours{24} * 31;
constexpr std::size_t entries_max = 500'000;
/// A draw that begins in the range is followed so far beyond it.
constexpr Duration follow_for = hours{3};
/// How long before the range the house's habits are learned from.
constexpr Duration learn_for = hours{24} * 14;

/// How many entries touch the span; no more than `most` and one are counted.
Result<std::size_t> count(LedgerView& view, MeterKey meter, Span span, std::size_t most) {
    std::size_t counted = 0;
    auto read = view.entries(meter, span, [&](const Entry&) { return ++counted <= most; });
    if (!read) return tl::unexpected(read.error());
    return counted;
}

/// The finer the readings, and the more meters share the ledger, the fewer days are learned from.
Duration affordable_before(std::size_t entries, Duration in, std::size_t meters) {
    constexpr double rows_to_read = 2e6;
    const double rows_a_second =
        static_cast<double>((entries + 1) * meters) / std::chrono::duration<double>(in).count();
    const std::chrono::duration<double> affordable{std::min(1e7, rows_to_read / rows_a_second)};
    return std::min(learn_for, std::chrono::duration_cast<Duration>(affordable));
}

/// What was asked for, and some of what was before.
OrProblem<std::vector<Entry>> entries_to_look_at(const Call& call, LedgerView& view, const FoundMeter& meter,
                                                 Span span) {
    const MeterKey key = meter.record->key;
    const Span followed{span.from, span.to + follow_for};
    const auto asked = count(view, key, followed, entries_max);
    if (!asked) return tl::unexpected(ledger_problem(asked.error()));
    if (*asked > entries_max) {
        return refuse(
            400,
            fmt::format("From {} to {} there are more than {} readings of \"{}\". Ask for a shorter range.",
                        call.parts.zone.format(span.from), call.parts.zone.format(span.to), entries_max,
                        meter.id));
    }
    const auto meters = view.meters();
    if (!meters) return tl::unexpected(ledger_problem(meters.error()));
    const Duration before = affordable_before(*asked, followed.length(), meters->size());
    std::vector<Entry> entries;
    auto read = view.entries(key, {span.from - before, followed.to}, [&](const Entry& entry) {
        entries.push_back(entry);
        return true;
    });
    if (!read) return tl::unexpected(ledger_problem(read.error()));
    return entries;
}

std::string describe(const Draw& draw, const PulseValues& values, double found_with_l,
                     const CivilZone& zone) {
    const Ratio value = values.at(draw.span.from);
    // The flow was found with the range's last value.
    const double correction = value.value() / found_with_l;
    const auto flow = [&](double flow_l_per_h) {
        return flow_text(flow_l_per_h > 0 ? std::optional(flow_l_per_h * correction) : std::nullopt);
    };
    JsonObject object;
    object.text("from", zone.format(draw.span.from));
    object.text("to", zone.format(draw.span.to));
    object.whole("ticks", draw.ticks);
    object.raw("volume_l", volume_l_text(std::array{ValuedTicks{draw.ticks, value}}));
    object.raw("mean_flow_l_per_h", flow(draw.mean_flow_l_per_h));
    object.raw("peak_flow_l_per_h", flow(draw.peak_flow_l_per_h));
    object.text("label", name_of(draw.label));
    object.raw("confidence", fmt::format("{:.2f}", draw.confidence));
    object.raw("blur_s", fmt::format("{:.0f}", std::chrono::duration<double>(draw.blur).count()));
    object.flag("overlaps", draw.overlaps);
    object.whole("parts", draw.parts);
    return std::move(object).finish();
}

OrProblem<std::optional<DrawLabel>> label_of(const Call& call) {
    const auto asked = call.parameter("label");
    if (!asked) return std::nullopt;
    if (const auto label = draw_label_named(*asked)) return label;
    return refuse(
        400, fmt::format("The query parameter \"label\" is \"{}\". Give flush, shower, tap, washer, bath, "
                         "hose, leak or unknown.",
                         *asked));
}

/// The draws that begin in the range; with a label only those that carry it.
OrProblem<std::string> draws_of(const Call& call, LedgerView& view, const FoundMeter& meter, Span span,
                                std::optional<DrawLabel> label) {
    JsonArray list;
    if (!meter.record) return std::move(list).finish();
    const auto summary = call.parts.summarise(*meter.record, *meter.settings);
    if (!summary) return tl::unexpected(ledger_problem(summary.error()));
    const PulseValues values = pulse_values(*meter.settings, summary->meter_register, call.parts.zone);
    const auto entries = entries_to_look_at(call, view, meter, span);
    if (!entries) return tl::unexpected(entries.error());
    const double pulse_value_l = values.at(span.to).value();
    std::vector<Draw> draws = draws_in(*entries, pulse_value_l);
    label_draws(draws, pulse_value_l);
    for (const Draw& draw : draws) {
        const bool is_asked = draw.span.from >= span.from && draw.span.from < span.to;
        if (is_asked && draw.label == label.value_or(draw.label))
            list.add(describe(draw, values, pulse_value_l, call.parts.zone));
    }
    return std::move(list).finish();
}

}  // namespace

Response get_draws(const Call& call) {
    const auto span = call.span(hours{24});
    if (!span) return span.error();
    if (span->length() > longest_range) {
        return problem(400, "Draws are told for at most 31 days at once. Ask for a shorter range.");
    }
    const auto label = label_of(call);
    if (!label) return label.error();
    const auto view = call.fresh_view();
    if (!view) return view.error();
    const auto meter = find_meter(call, **view);
    if (!meter) return meter.error();
    const auto draws = draws_of(call, **view, *meter, *span, *label);
    if (!draws) return draws.error();
    JsonObject document;
    document.text("meter", meter->id);
    document.text("timezone", call.parts.zone.name());
    document.raw("draws", *draws);
    Response response;
    response.body = std::move(document).finish() + "\n";
    return response;
}

}  // namespace tickledger
