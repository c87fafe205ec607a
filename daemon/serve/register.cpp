// GET, POST and DELETE /v1/meters/{id}/register: what the register should show, and readings of it by eye.
#include <fmt/format.h>

#include <algorithm>

#include "book/documents.hpp"
#include "book/instruction_documents.hpp"
#include "book/register_rules.hpp"
#include "book/valuation.hpp"
#include "serve/body.hpp"
#include "serve/call.hpp"
#include "serve/register_seen.hpp"
#include "serve/register_words.hpp"

namespace tickledger {

namespace {

RegisterBasis basis_of(const Seen& seen, const CivilZone& zone) {
    return {.settings = *seen.meter.settings,
            .first_at = seen.summary.meter_register.first_at,
            .start_l = register_start_l(*seen.meter.settings, seen.summary.meter_register),
            .total_ticks = seen.summary.total_ticks,
            .readings = seen.readings,
            .fine_detail_from = seen.fine_detail_from,
            .zone = zone};
}

/// Cubic metres, to the millilitre.
std::string m3_text(std::int64_t volume_ul) {
    return decimal(scaled_volume(1, {volume_ul, 1'000'000}, {0, 1}, 1000, digits_m3), digits_m3);
}

Result<std::vector<Entry>> unseen_in(const Seen& seen, Span span) {
    if (!seen.meter.record) return std::vector<Entry>{};
    return seen.view->unseen(seen.meter.record->key, span);
}

Result<std::string> describe(const Seen& seen, const RegisterReading& reading, const CivilZone& zone) {
    const std::array valued{ValuedTicks{reading.adjustment_ticks, seen.values.at(reading.at - Duration{1})}};
    const auto unseen = unseen_in(seen, {reading.adjusted_from, reading.at});
    if (!unseen) return tl::unexpected(unseen.error());
    JsonObject object;
    object.text("meter", seen.meter.id);
    object.text("time", zone.format(reading.at));
    object.raw("reading_m3", m3_text(reading.register_ul));
    object.flag("start", reading.starts);
    if (reading.adjustment_ticks != 0) {
        JsonObject adjustment;
        adjustment.text("from", zone.format(reading.adjusted_from));
        adjustment.text("to", zone.format(reading.at));
        adjustment.whole("ticks", reading.adjustment_ticks);
        adjustment.raw("volume_l", volume_l_text(valued));
        object.raw("adjustment", std::move(adjustment).finish());
    } else {
        object.null("adjustment");
    }
    const std::array magnitude{ValuedTicks{std::abs(reading.adjustment_ticks), valued[0].pulse_value_l}};
    object.text("text", words_for(reading, volume_l_text(magnitude), *unseen, seen.summary.last_reading_at,
                                  *seen.meter.settings, zone));
    return std::move(object).finish();
}

Result<RegisterState> state_of(const Seen& seen, const CivilZone& zone) {
    const MeterSettings& settings = *seen.meter.settings;
    const auto total = total_of(*seen.view, seen.meter, seen.summary, seen.values, zone);
    if (!total) return tl::unexpected(total.error());
    RegisterState state;
    state.at = *seen.summary.last_reading_at;
    const RegisterMemory& memory = seen.summary.meter_register;
    state.register_ul = scaled_volume(*total, register_start_l(settings, memory), 1, digits_register);
    if (const std::int64_t range_ul = microlitres(settings.register_range_l); range_ul > 0)
        state.register_ul = (state.register_ul % range_ul + range_ul) % range_ul;
    state.tolerance_ul = microlitres(settings.register_resolution_l) + microlitres(seen.values.latest());
    if (!seen.readings.empty()) state.read_by_eye_at = seen.readings.back().at;
    state.start_unknown =
        seen.readings.empty() && settings.register_start_l.numerator == 0 && !memory.start_ul;
    if (settings.message == MessageForm::volume && seen.summary.last_count) {
        const std::array read{
            ValuedTicks{static_cast<std::int64_t>(*seen.summary.last_count), settings.pulse_value_l}};
        state.read_ul = scaled_volume(read, {0, 1}, 1, digits_register);
    }
    const Instant since = state.read_by_eye_at.value_or(memory.first_at.value_or(state.at));
    const auto unseen = unseen_in(seen, {since, std::max(since, state.at)});
    if (!unseen) return tl::unexpected(unseen.error());
    for (const Entry& entry : *unseen) {
        const std::int64_t most = unseen_ticks_max(entry, settings);
        if (most == 0) continue;
        ++state.unseen_count;
        state.unseen_ticks_max += most;
    }
    const std::array valued{ValuedTicks{state.unseen_ticks_max, seen.values.latest()}};
    state.unseen_ul_max = scaled_volume(valued, {0, 1}, 1, digits_register);
    return state;
}

Result<std::string> document_of(const Seen& seen, const Call& call) {
    const CivilZone& zone = call.parts.zone;
    JsonObject document;
    document.text("meter", seen.meter.id);
    if (!seen.summary.last_reading_at) {
        document.null("time");
        document.null("register_m3");
        document.text("text", "Nothing has been booked for this meter yet.");
    } else {
        const auto state = state_of(seen, zone);
        if (!state) return tl::unexpected(state.error());
        const Instant now = call.parts.now();
        document.text("time", zone.format(state->at));
        document.raw("register_m3", m3_text(state->register_ul));
        document.raw("low_m3", m3_text(state->register_ul - state->tolerance_ul));
        document.raw("high_m3", m3_text(state->register_ul + state->tolerance_ul + state->unseen_ul_max));
        document.raw("resolution_m3", m3_text(microlitres(seen.meter.settings->register_resolution_l)));
        document.flag("start_told", !state->start_unknown);
        document.whole("unseen_ticks_max", state->unseen_ticks_max);
        document.whole(
            "since_last_message_s",
            std::chrono::floor<std::chrono::seconds>(std::max(now - state->at, Duration{0})).count());
        document.optional_text("read_by_eye_at", state->read_by_eye_at
                                                     ? std::optional(zone.format(*state->read_by_eye_at))
                                                     : std::nullopt);
        document.text("text", words_for(*state, seen.meter.id, zone, now));
    }
    JsonArray readings;
    for (auto reading = seen.readings.rbegin(); reading != seen.readings.rend(); ++reading) {
        const auto described = describe(seen, *reading, zone);
        if (!described) return tl::unexpected(described.error());
        readings.add(*described);
    }
    document.raw("readings", std::move(readings).finish());
    return std::move(document).finish() + "\n";
}

Response answer(Result<std::string> document) {
    if (!document) return ledger_problem(document.error());
    Response response;
    response.body = *std::move(document);
    return response;
}

OrProblem<SaidReading> said_of_reading(const Call& call) {
    std::array fields{JsonField{"time", "/time", {}}, JsonField{"reading_m3", "/reading_m3", {}},
                      JsonField{"reading", "/reading", {}}, JsonField{"start", "/start", {}}};
    if (auto read = read_body(call.request, fields); !read) return tl::unexpected(read.error());
    const auto volume = volume_in(fields[1], fields[2]);
    if (!volume) return tl::unexpected(volume.error());
    SaidReading said;
    said.register_ul = volume->volume_ul;
    said.given_to_ul = volume->given_to_ul;
    const auto at = instant_in(fields[0], call.parts.zone);
    if (!at) return tl::unexpected(at.error());
    const auto start = flag_in(fields[3]);
    if (!start) return tl::unexpected(start.error());
    said.starts = start->value_or(false);
    // People read whole seconds, but a start may be given within the same second as the first booked reading.
    const Instant now = call.parts.now();
    said.at = at->value_or(said.starts ? now : std::chrono::floor<std::chrono::seconds>(now));
    return said;
}

const RegisterReading* reading_of(const Seen& seen, Instant at) {
    const auto found = std::ranges::find(seen.readings, at, &RegisterReading::at);
    return found == seen.readings.end() ? nullptr : &*found;
}

}  // namespace

Response get_register(const Call& call) {
    auto view = call.fresh_view();
    if (!view) return view.error();
    const auto seen = see(call, *std::move(view));
    if (!seen) return seen.error();
    return answer(document_of(*seen, call));
}

Response post_register(const Call& call) {
    const auto said = said_of_reading(call);
    if (!said) return said.error();
    auto view = call.fresh_view();
    if (!view) return view.error();
    auto seen = see(call, *std::move(view));
    if (!seen) return seen.error();
    const auto judged = judge(*said, basis_of(*seen, call.parts.zone), call.parts.now());
    if (!judged) return problem(409, judged.error().text);
    if (!judged->is_known) {
        auto later = call.instruct(instruction_to_read(seen->meter.id, *said));
        if (!later) return later.error();
        seen = see(call, *std::move(later));
        if (!seen) return seen.error();
    }
    const RegisterReading* reading = reading_of(*seen, said->at);
    if (!reading) return accepted_for_later();
    auto described = describe(*seen, *reading, call.parts.zone);
    if (described) *described += "\n";
    return answer(std::move(described));
}

Response delete_register(const Call& call) {
    const auto at = call.instant("time");
    if (!at) return at.error();
    if (!*at)
        return problem(400, "Which reading is to be taken back? Give its time: ?time=2026-03-01T08:00:00Z.");
    auto view = call.fresh_view();
    if (!view) return view.error();
    auto seen = see(call, *std::move(view));
    if (!seen) return seen.error();
    const auto place = judge_taking_back(**at, basis_of(*seen, call.parts.zone));
    if (!place) return problem(reading_of(*seen, **at) ? 409 : 404, place.error().text);
    auto later = call.instruct(instruction_to_take_back(seen->meter.id, **at));
    if (!later) return later.error();
    seen = see(call, *std::move(later));
    if (!seen) return seen.error();
    if (reading_of(*seen, **at)) return accepted_for_later();
    return answer(document_of(*seen, call));
}

}  // namespace tickledger
