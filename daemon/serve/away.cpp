// POST and DELETE /v1/meters/{id}/away: people leave, and come home.
#include "serve/away.hpp"

#include <fmt/format.h>

#include <array>

#include "book/instruction_documents.hpp"
#include "serve/body.hpp"
#include "tickledger/words.hpp"

namespace tickledger {

namespace {

/// The present or next absence.
std::optional<Span> absence_ahead(const ApiParts& parts, const MeterSettings& settings,
                                  const MeterSummary& summary) {
    const auto away = absence(summary.away, settings.alarms);
    return away && away->to > parts.now() ? away : std::nullopt;
}

bool is_open(std::optional<Instant> moment) {
    return !moment || *moment == Instant::min() || *moment == Instant::max();
}

std::optional<std::string> time_text(const ApiParts& parts, std::optional<Instant> moment) {
    return is_open(moment) ? std::nullopt : std::optional(parts.zone.format(*moment));
}

/// What a person says. `is_away` without times means from now on, until told otherwise.
struct SaidAway {
    bool is_away = false;
    std::optional<Instant> from;
    std::optional<Instant> to;
};

OrProblem<SaidAway> said_of_absence(const Call& call) {
    std::array fields{JsonField{"away", "/away", {}}, JsonField{"from", "/from", {}},
                      JsonField{"to", "/to", {}}};
    if (const auto read = read_body(call.request, fields); !read) return tl::unexpected(read.error());
    const auto flag = flag_in(fields[0]);
    if (!flag) return tl::unexpected(flag.error());
    const auto from = instant_in(fields[1], call.parts.zone);
    if (!from) return tl::unexpected(from.error());
    const auto to = instant_in(fields[2], call.parts.zone);
    if (!to) return tl::unexpected(to.error());
    if (!*flag && !*from && !*to) {
        return refuse(400,
                      "Send {\"away\":true}, or the beginning and the end: "
                      "{\"from\":\"2026-07-01\",\"to\":\"2026-07-15\"}. {\"away\":false} ends it.");
    }
    const SaidAway said{.is_away = flag->value_or(true), .from = *from, .to = *to};
    if (!said.is_away && (said.from || said.to))
        return refuse(400, "\"away\" is false, so \"from\" and \"to\" mean nothing. Leave them out.");
    if (said.to && *said.to <= said.from.value_or(call.parts.now()))
        return refuse(400, "\"to\" is not after \"from\" (now, if that is left out). Nobody is away then.");
    if (said.to && *said.to <= call.parts.now())
        return refuse(400, "\"to\" is in the past. Water that is already booked is not checked again.");
    return said;
}

std::string words_for(const std::string& meter, const MeterSettings& settings,
                      const std::optional<Span>& away, const ApiParts& parts) {
    if (!away) return fmt::format("Somebody is at home at {}: water that runs raises no away-use.", meter);
    const std::string from = is_open(away->from) ? "" : " from " + in_words(away->from, parts.zone);
    const std::string to =
        is_open(away->to) ? " until told otherwise" : " to " + in_words(away->to, parts.zone);
    const bool is_watched = settings.watches(AlarmKind::away_use);
    return fmt::format(
        "Everybody is away at {}{}{}: {}. Shutting the main valve is safer than any alarm.", meter, from, to,
        is_watched ? "any tick then raises away-use"
                   : "but away-use is switched off in the configuration, so no alarm will be raised");
}

struct SeenAway {
    FoundMeter meter;
    MeterSummary summary;
};

OrProblem<SeenAway> see_away(const Call& call, LedgerView& view) {
    auto meter = find_meter(call, view);
    if (!meter) return tl::unexpected(meter.error());
    SeenAway seen{*std::move(meter), {}};
    if (!seen.meter.record) return seen;
    auto summary = call.parts.summarise(*seen.meter.record, *seen.meter.settings);
    if (!summary) return tl::unexpected(ledger_problem(summary.error()));
    seen.summary = *std::move(summary);
    return seen;
}

Response answer(const Call& call, const SeenAway& seen) {
    JsonObject document;
    document.text("meter", seen.meter.id);
    add_away(document, call.parts, seen.meter, seen.summary);
    document.text("text",
                  words_for(seen.meter.id, *seen.meter.settings,
                            absence_ahead(call.parts, *seen.meter.settings, seen.summary), call.parts));
    Response response;
    response.body = std::move(document).finish() + "\n";
    return response;
}

bool is_told(const MeterSummary& summary, const SaidAway& said) {
    if (!summary.away || summary.away->from.has_value() != said.is_away) return false;
    return summary.away->to == said.to && (!said.from || summary.away->from == said.from);
}

Response say(const Call& call, const SaidAway& said) {
    auto view = call.fresh_view();
    if (!view) return view.error();
    auto seen = see_away(call, **view);
    if (!seen) return seen.error();
    const std::string& id = seen->meter.id;
    view = call.instruct(said.is_away ? instruction_to_be_away(id, said.from, said.to)
                                      : instruction_to_be_home(id));
    if (!view) return view.error();
    seen = see_away(call, **view);
    if (!seen) return seen.error();
    return is_told(seen->summary, said) ? answer(call, *seen) : accepted_for_later();
}

}  // namespace

void add_away(JsonObject& object, const ApiParts& parts, const FoundMeter& meter,
              const MeterSummary& summary) {
    const auto away = absence_ahead(parts, *meter.settings, summary);
    object.flag("away", away && away->from <= parts.now());
    object.optional_text("away_from", away ? time_text(parts, away->from) : std::nullopt);
    object.optional_text("away_to", away ? time_text(parts, away->to) : std::nullopt);
}

Response post_away(const Call& call) {
    const auto said = said_of_absence(call);
    if (!said) return said.error();
    return say(call, *said);
}

Response delete_away(const Call& call) {
    return say(call, {});
}

}  // namespace tickledger
