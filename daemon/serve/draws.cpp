// GET /v1/meters/{id}/draws: finds the draws in the entries when they are asked for. POST: a person says what
// a draw was.
#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>

#include "book/documents.hpp"
#include "book/told_draws.hpp"
#include "core/json_text.hpp"
#include "serve/body.hpp"
#include "serve/call.hpp"
#include "serve/draws.hpp"
#include "serve/seen_draws.hpp"
#include "tickledger/draw.hpp"
#include "tickledger/words.hpp"

namespace tickledger {

namespace {

using std::chrono::hours;

constexpr Duration longest_range = hours{24} * 31;

std::string describe(const Draw& draw, const PulseValues& values, const CivilZone& zone) {
    const Ratio value = values.at(draw.span.from);
    const auto flow = [](double flow_l_per_h) {
        return flow_text(flow_l_per_h > 0 ? std::optional(flow_l_per_h) : std::nullopt);
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

/// With a label, only the draws with that label.
std::string list_of(const std::vector<Draw>& draws, std::optional<DrawLabel> label, const PulseValues& values,
                    const CivilZone& zone) {
    JsonArray list;
    for (const Draw& draw : draws) {
        if (draw.label == label.value_or(draw.label)) list.add(describe(draw, values, zone));
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
                    const PulseValues& values) {
    // A washer's fills are recognised one by one, so what is learned is one fill.
    const double parts = draw.label == DrawLabel::washer ? std::max(1, draw.parts) : 1;
    const bool is_whole = label != DrawLabel::washer;
    const double litres =
        static_cast<double>(draw.ticks) * values.at(draw.span.from).value() / (is_whole ? 1 : parts);
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
        if (!at)
            return refuse(400,
                          fmt::format("\"at\" is \"{}\". Give a time like \"07:10\", which means the latest "
                                      "07:10, or like \"2026-03-01T08:00:00+01:00\".",
                                      excerpt(**at_text)));
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

/// The draws around a moment.
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
        telling_of(*draw, before, said->was.value_or(DrawLabel::unknown), said->name, seen->values);
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
    document.raw("draw", describe(*draw, seen->values, call.parts.zone));
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
    const auto seen = see_draws(call, **view, *meter, *span);
    if (!seen) return seen.error();
    JsonObject document;
    document.text("meter", meter->id);
    document.text("timezone", call.parts.zone.name());
    document.raw("begun_before", list_of(seen->begun_before, *label, seen->values, call.parts.zone));
    document.raw("draws", list_of(seen->draws, *label, seen->values, call.parts.zone));
    Response response;
    response.body = std::move(document).finish() + "\n";
    return response;
}

}  // namespace tickledger
