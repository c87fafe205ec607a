// GET /v1/meters/{id}/nights: the night windows, and the stretches in which the water stood still.
#include <fmt/format.h>

#include "book/documents.hpp"
#include "book/night_times.hpp"
#include "serve/call.hpp"

namespace tickledger {

namespace {

using std::chrono::hours;

constexpr Duration usual_range = hours{24} * 14;
constexpr Duration longest_range = hours{24} * 62;

enum class Stretch : std::uint8_t { still, flow, unclear };

constexpr std::string_view name_of(Stretch stretch) {
    return stretch == Stretch::still ? "still" : stretch == Stretch::flow ? "flow" : "unclear";
}

/// Judges an entry as Stillness does: whether it proves that the water stood still, proves that it ran, or
/// neither.
Stretch read(const Entry& entry, Duration still_for) {
    if (!entry.covers()) return Stretch::unclear;
    if (entry.time_estimated || entry.kind == EntryKind::reverse) return Stretch::unclear;
    if (entry.ticks != 0) return entry.span.length() <= still_for ? Stretch::flow : Stretch::unclear;
    return entry.kind == EntryKind::measured ? Stretch::still : Stretch::unclear;
}

/// Divides a window into stretches of one state, each as long as possible.
class Stretches {
public:
    Stretches(Instant from, const CivilZone& zone) : zone_(zone), begun_{from, from} {}

    void add(Span span, Stretch kind) {
        if (span.from > begun_.to) extend(span.from, Stretch::unclear);
        if (span.to > begun_.to) extend(span.to, kind);
    }

    /// Time for which nothing was added is unclear.
    [[nodiscard]] std::string finish(Instant to) && {
        if (to > begun_.to) extend(to, Stretch::unclear);
        put();
        return std::move(list_).finish();
    }

private:
    void extend(Instant to, Stretch kind) {
        if (kind != kind_ && begun_.length() > Duration{0}) {
            put();
            begun_.from = begun_.to;
        }
        kind_ = kind;
        begun_.to = to;
    }

    void put() {
        if (begun_.length() <= Duration{0}) return;
        JsonObject object;
        object.text("from", zone_.format(begun_.from));
        object.text("to", zone_.format(begun_.to));
        object.text("state", name_of(kind_));
        list_.add(std::move(object).finish());
    }

    const CivilZone& zone_;
    JsonArray list_;
    Span begun_;
    Stretch kind_ = Stretch::unclear;
};

std::string_view verdict_of(const Stillness& stillness, Instant now) {
    switch (stillness.verdict()) {
        case Verdict::still:
            return "still";
        case Verdict::flow:
            return "flow";
        case Verdict::undecided:
            break;
    }
    return stillness.window().to > now ? "open" : "undecided";
}

Result<std::string> describe(LedgerView& view, const FoundMeter& meter, const PulseValues& values, Span night,
                             const Call& call) {
    const CivilZone& zone = call.parts.zone;
    const Duration still_for = meter.settings->alarms.still_for;
    Stillness stillness(night, still_for);
    Stretches stretches(night.from, zone);
    std::int64_t ticks = 0;
    bool is_known = false;
    if (meter.record) {
        const auto done = view.entries(meter.record->key, night, [&](const Entry& entry) {
            if (entry.kind == EntryKind::adjustment) return true;
            stillness.add(entry);
            stretches.add(overlap(entry.span, night), read(entry, still_for));
            if (!entry.covers() || overlap(entry.span, night).length() <= Duration{0}) return true;
            const bool ends_within = entry.span.to <= night.to;
            if (ends_within) ticks += entry.ticks;
            // Still water is a zero that was seen, however long the entry goes on.
            is_known |= ends_within || entry.ticks == 0;
            return true;
        });
        if (!done) return tl::unexpected(done.error());
    }
    const Instant now = call.parts.now();
    JsonObject object;
    object.text("from", zone.format(night.from));
    object.text("to", zone.format(night.to));
    object.text("verdict", verdict_of(stillness, now));
    if (const Span longest = stillness.longest_still(); longest.length() > Duration{0}) {
        JsonObject still;
        still.text("from", zone.format(longest.from));
        still.text("to", zone.format(longest.to));
        object.raw("longest_still", std::move(still).finish());
    } else {
        object.null("longest_still");
    }
    if (is_known) {
        object.whole("ticks", ticks);
        object.raw("volume_l",
                   volume_l_text(std::array{ValuedTicks{ticks, values.at(night.to - Duration{1})}}));
    } else {
        object.null("ticks");
        object.null("volume_l");
    }
    object.raw("stretches", std::move(stretches).finish(std::min(night.to, std::max(now, night.from))));
    return std::move(object).finish();
}

OrProblem<std::string> nights_of(const Call& call, LedgerView& view, const FoundMeter& meter, Span span) {
    MeterSummary summary;
    if (meter.record) {
        auto summarised = call.parts.summarise(*meter.record, *meter.settings);
        if (!summarised) return tl::unexpected(ledger_problem(summarised.error()));
        summary = *std::move(summarised);
    }
    const PulseValues values = pulse_values(*meter.settings, summary.meter_register, call.parts.zone);
    JsonArray list;
    const AlarmSettings& alarms = meter.settings->alarms;
    for (Span night = night_after(call.parts.zone, alarms, span.from);
         night.from < std::min(span.to, call.parts.now());
         night = night_after(call.parts.zone, alarms, night.to)) {
        const auto described = describe(view, meter, values, night, call);
        if (!described) return tl::unexpected(ledger_problem(described.error()));
        list.add(*described);
    }
    return std::move(list).finish();
}

}  // namespace

Response get_nights(const Call& call) {
    const auto span = call.span(usual_range);
    if (!span) return span.error();
    if (span->length() > longest_range)
        return problem(400, "Nights are given for at most 62 days at once. Ask for a shorter range.");
    const auto view = call.fresh_view();
    if (!view) return view.error();
    const auto meter = find_meter(call, **view);
    if (!meter) return meter.error();
    const auto nights = nights_of(call, **view, *meter, *span);
    if (!nights) return nights.error();
    JsonObject document;
    document.text("meter", meter->id);
    document.text("timezone", call.parts.zone.name());
    document.whole("still_for_s",
                   std::chrono::floor<std::chrono::seconds>(meter->settings->alarms.still_for).count());
    document.raw("nights", *nights);
    Response response;
    response.body = std::move(document).finish() + "\n";
    return response;
}

}  // namespace tickledger
