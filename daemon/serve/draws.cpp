// GET /v1/meters/{id}/draws: finds the draws in the entries when they are asked for. POST: a person says what
// a draw was.
#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>

#include "book/documents.hpp"
#include "book/told_draws.hpp"
#include "serve/body.hpp"
#include "serve/call.hpp"
#include "serve/draws.hpp"
#include "tickledger/draw.hpp"
#include "tickledger/words.hpp"

namespace tickledger {

namespace {

using std::chrono::hours;

constexpr Duration longest_range = hours{24} * 31;
constexpr std::size_t entries_max = 500'000;
/// A draw that begins in the range is followed this far beyond its end.
constexpr Duration follow_for = hours{3};
/// How much time before the range is used to learn the house's habits.
constexpr Duration learn_for = hours{24} * 14;

/// How many entries touch the span. Counting stops at `most` + 1.
Result<std::size_t> count(LedgerView& view, MeterKey meter, Span span, std::size_t most) {
    std::size_t counted = 0;
    auto read = view.entries(meter, span, [&](const Entry&) { return ++counted <= most; });
    if (!read) return tl::unexpected(read.error());
    return counted;
}

/// How much earlier time can be read. The finer the readings and the more meters share the ledger, the fewer
/// days are learned from.
Duration affordable_before(std::size_t entries, Duration in, std::size_t meters) {
    constexpr double rows_to_read = 2e6;
    const double rows_a_second =
        static_cast<double>((entries + 1) * meters) / std::chrono::duration<double>(in).count();
    const std::chrono::duration<double> affordable{std::min(1e7, rows_to_read / rows_a_second)};
    return std::min(learn_for, std::chrono::duration_cast<Duration>(affordable));
}

/// The entries of the span, some before it to learn from, and some after it.
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
                        in_words(span.from, call.parts.zone), in_words(span.to, call.parts.zone), entries_max,
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
    // The flow was computed with the pulse value at the range's end.
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
    object.flag("told", draw.told);
    object.optional_text("name", draw.name.empty() ? std::nullopt : std::optional(draw.name));
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

/// The draws around a range, and what is needed to describe them.
struct SeenDraws {
    std::vector<Draw> draws;
    std::vector<ToldDraw> told;
    PulseValues values{{1, 1}};
    double pulse_value_l = 1;
};

OrProblem<SeenDraws> see_draws(const Call& call, LedgerView& view, const FoundMeter& meter, Span span) {
    SeenDraws seen;
    if (!meter.record) return seen;
    const auto summary = call.parts.summarise(*meter.record, *meter.settings);
    if (!summary) return tl::unexpected(ledger_problem(summary.error()));
    seen.values = pulse_values(*meter.settings, summary->meter_register, call.parts.zone);
    const auto entries = entries_to_look_at(call, view, meter, span);
    if (!entries) return tl::unexpected(entries.error());
    const auto told = view.fact(told_draws_fact(meter.id));
    if (!told) return tl::unexpected(ledger_problem(told.error()));
    if (*told) seen.told = told_draws_in(**told);
    seen.pulse_value_l = seen.values.at(span.to).value();
    seen.draws = draws_in(*entries, seen.pulse_value_l);
    label_draws(seen.draws, seen.pulse_value_l, seen.told);
    return seen;
}

/// The draws that begin in the range; with a label, only those with that label.
OrProblem<std::string> draws_of(const Call& call, LedgerView& view, const FoundMeter& meter, Span span,
                                std::optional<DrawLabel> label) {
    JsonArray list;
    const auto seen = see_draws(call, view, meter, span);
    if (!seen) return tl::unexpected(seen.error());
    for (const Draw& draw : seen->draws) {
        const bool is_asked = draw.span.from >= span.from && draw.span.from < span.to;
        if (is_asked && draw.label == label.value_or(draw.label))
            list.add(describe(draw, seen->values, seen->pulse_value_l, call.parts.zone));
    }
    return std::move(list).finish();
}

Instant middle_of(const Draw& draw) {
    return draw.span.from + draw.span.length() / 2;
}

/// The draw that a person means by a moment: the nearest one within five minutes. If several include the
/// moment, the one whose middle is nearest.
const Draw* draw_at(const std::vector<Draw>& draws, Instant at) {
    constexpr Duration near = std::chrono::minutes{5};
    const Draw* best = nullptr;
    std::pair<Duration, Duration> least{near, Duration::max()};
    for (const Draw& draw : draws) {
        const Duration blur = std::min<Duration>(draw.blur, near);
        const Duration beside = std::max({draw.span.from - blur - at, at - draw.span.to - blur, Duration{0}});
        const Duration off = at > middle_of(draw) ? at - middle_of(draw) : middle_of(draw) - at;
        if (std::pair{beside, off} >= least) continue;
        least = {beside, off};
        best = &draw;
    }
    return best;
}

/// What was already said of this draw; null if nothing.
const ToldDraw* told_of(const std::vector<ToldDraw>& told, const Draw& draw) {
    const ToldDraw* best = nullptr;
    for (const ToldDraw& one : told) {
        if (one.at < draw.span.from - draw.blur || one.at > draw.span.to + draw.blur) continue;
        if (!best || one.label == draw.label) best = &one;
    }
    return best;
}

ToldDraw telling_of(const Draw& draw, const ToldDraw* before, DrawLabel label, const std::string& name,
                    double pulse_value_l) {
    // A washer's fills are recognised one by one, so what is learned is one fill.
    const double parts = draw.label == DrawLabel::washer ? std::max(1, draw.parts) : 1;
    const bool is_whole = label != DrawLabel::washer;
    const double litres = static_cast<double>(draw.ticks) * pulse_value_l / (is_whole ? 1 : parts);
    const double flow = draw.blur > std::chrono::seconds{15} ? 0 : draw.mean_flow_l_per_h;
    return {.at = before ? before->at : middle_of(draw),
            .label = label,
            .name = name,
            .volume_ul = std::llround(litres * 1e6),
            .flow_ml_per_h = std::llround(flow * 1000)};
}

/// What a person says that a draw was. Without a label, an earlier statement is taken back.
struct SaidDraw {
    Instant at{};
    std::optional<DrawLabel> was;
    std::string name;
};

/// "07:10" means the most recent 07:10.
std::optional<Instant> time_of_day_in(const std::string& text, const ApiParts& parts) {
    if (text.size() != 5 || text[2] != ':') return std::nullopt;
    int hour = 0;
    int minute = 0;
    for (const std::size_t i : {0U, 1U, 3U, 4U}) {
        if (text[i] < '0' || text[i] > '9') return std::nullopt;
        int& number = i < 2 ? hour : minute;
        number = number * 10 + (text[i] - '0');
    }
    if (hour > 23 || minute > 59) return std::nullopt;
    const Duration of_day = hours{hour} + std::chrono::minutes{minute};
    const auto today = parts.zone.date_of(parts.now());
    const Instant at = parts.zone.at(today, of_day);
    if (at <= parts.now()) return at;
    return parts.zone.at(parts.zone.date_of(parts.zone.start_of(today) - hours{1}), of_day);
}

OrProblem<SaidDraw> said_of_use(const Call& call) {
    std::array fields{JsonField{"at", "/at", {}}, JsonField{"was", "/was", {}},
                      JsonField{"named", "/named", {}}};
    if (const auto read = read_body(call.request, fields); !read) return tl::unexpected(read.error());
    SaidDraw said;
    const auto at_text = text_in(fields[0]);
    if (!at_text) return tl::unexpected(at_text.error());
    const auto was = text_in(fields[1]);
    if (!was) return tl::unexpected(was.error());
    const auto named = text_in(fields[2]);
    if (!named) return tl::unexpected(named.error());
    if (!*at_text || !*was)
        return refuse(400,
                      "Say when and what: {\"at\":\"07:10\",\"was\":\"shower\"}. \"was\":\"nothing\" "
                      "takes back what was said.");
    if (const auto of_day = time_of_day_in(**at_text, call.parts)) {
        said.at = *of_day;
    } else {
        const auto at = instant_in(fields[0], call.parts.zone);
        if (!at) return tl::unexpected(at.error());
        said.at = **at;
    }
    if (**was != "nothing") {
        said.was = draw_label_named(**was);
        if (!said.was || *said.was == DrawLabel::unknown || *said.was == DrawLabel::leak)
            return refuse(400, fmt::format("\"was\" is \"{}\". Say flush, shower, tap, washer, bath or hose; "
                                           "\"nothing\" takes back what was said.",
                                           **was));
    }
    said.name = named->value_or("");
    if (said.name.size() > draw_name_max)
        return refuse(400,
                      fmt::format("\"named\" is longer than {} bytes. Give a shorter name.", draw_name_max));
    return said;
}

/// The draws around a moment, in a range as long as that of a request for one day.
OrProblem<SeenDraws> draws_about(const Call& call, LedgerView& view, const FoundMeter& meter, Instant at) {
    return see_draws(call, view, meter, {at - hours{12}, at + hours{12}});
}

}  // namespace

Response post_draws(const Call& call) {
    const auto said = said_of_use(call);
    if (!said) return said.error();
    auto view = call.fresh_view();
    if (!view) return view.error();
    const auto meter = find_meter(call, **view);
    if (!meter) return meter.error();
    auto seen = draws_about(call, **view, *meter, said->at);
    if (!seen) return seen.error();
    const Draw* draw = draw_at(seen->draws, said->at);
    if (!draw)
        return problem(404,
                       fmt::format("No water ran at {} within five minutes of {}. Ask for the day's draws, "
                                   "and give the time of one.",
                                   meter->id, in_words(said->at, call.parts.zone)));
    const ToldDraw* before = told_of(seen->told, *draw);
    if (!said->was && !before)
        return problem(409,
                       fmt::format("Nobody has said what ran at {} at {}, so there is nothing to take back.",
                                   meter->id, in_words(said->at, call.parts.zone)));
    const Instant middle = middle_of(*draw);
    const ToldDraw telling =
        telling_of(*draw, before, said->was.value_or(DrawLabel::unknown), said->name, seen->pulse_value_l);
    view = call.instruct(said->was ? instruction_to_tell(meter->id, telling)
                                   : instruction_to_forget(meter->id, telling.at));
    if (!view) return view.error();
    seen = draws_about(call, **view, *meter, said->at);
    if (!seen) return seen.error();
    const bool is_booked = said->was
                               ? std::ranges::find(seen->told, telling) != seen->told.end()
                               : std::ranges::find(seen->told, telling.at, &ToldDraw::at) == seen->told.end();
    draw = draw_at(seen->draws, middle);
    if (!is_booked || !draw) return accepted_for_later();
    JsonObject document;
    document.text("meter", meter->id);
    document.text("timezone", call.parts.zone.name());
    document.raw("draw", describe(*draw, seen->values, seen->pulse_value_l, call.parts.zone));
    document.text("text",
                  said->was ? fmt::format("Saved as {}{}. Similar uses, earlier and later, are now labelled "
                                          "the same way.",
                                          name_of(*said->was), said->name.empty() ? "" : ", " + said->name)
                            : "The label is taken back.");
    Response response;
    response.body = std::move(document).finish() + "\n";
    return response;
}

Response get_draws(const Call& call) {
    const auto span = call.span(hours{24});
    if (!span) return span.error();
    if (span->length() > longest_range) {
        return problem(400, "Draws are given for at most 31 days at once. Ask for a shorter range.");
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
