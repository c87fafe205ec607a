// GET, POST and DELETE /v1/meters/{id}/history: usage from before a meter's first reading, as people give it.
#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <map>
#include <nlohmann/json.hpp>

#include "book/documents.hpp"
#include "book/history_rules.hpp"
#include "book/instruction_documents.hpp"
#include "core/json_text.hpp"
#include "core/volume_ticks.hpp"
#include "serve/call.hpp"
#include "serve/register_seen.hpp"

namespace tickledger {

namespace {

using Json = nlohmann::json;

constexpr Span always{Instant::min(), Instant::max()};

std::optional<Instant> end_of(const Seen& seen, const CivilZone& zone) {
    const auto& first_at = seen.summary.meter_register.first_at;
    return first_at ? std::optional(history_end(*first_at, zone)) : std::nullopt;
}

Result<std::vector<HistoryEntry>> history_of(const Seen& seen, Span span) {
    if (!seen.meter.record) return std::vector<HistoryEntry>{};
    return seen.view->history(seen.meter.record->key, span);
}

/// The history that has one name.
struct Import {
    Span span;
    std::int64_t entries = 0;
    std::int64_t ticks = 0;
    std::vector<ValuedTicks> valued;

    void add(const HistoryEntry& entry, const PulseValues& values) {
        span = entries == 0 ? entry.span : Span{span.from, entry.span.to};
        ++entries;
        ticks += entry.ticks;
        const Ratio value_l = values.at(entry.span.from);
        if (valued.empty() || valued.back().pulse_value_l != value_l) valued.push_back({0, value_l});
        valued.back().ticks += entry.ticks;
    }
};

std::string describe(const std::string& name, const Import& import, const CivilZone& zone) {
    JsonObject object;
    object.text("name", name);
    object.text("from", zone.format(import.span.from));
    object.text("to", zone.format(import.span.to));
    object.whole("entries", import.entries);
    object.whole("ticks", import.ticks);
    object.raw("volume_l", volume_l_text(import.valued));
    return std::move(object).finish();
}

Response answer(const Seen& seen, const Call& call, std::optional<std::int64_t> left_out = std::nullopt) {
    const CivilZone& zone = call.parts.zone;
    const auto entries = history_of(seen, always);
    if (!entries) return ledger_problem(entries.error());
    std::map<std::string, Import> imports;
    for (const HistoryEntry& entry : *entries)
        imports[entry.import].add(entry, seen.values);
    JsonArray list;
    for (const auto& [name, import] : imports)
        list.add(describe(name, import, zone));
    JsonObject document;
    document.text("meter", seen.meter.id);
    document.text("timezone", zone.name());
    const auto end = end_of(seen, zone);
    document.optional_text("ends_by", end ? std::optional(zone.format(*end)) : std::nullopt);
    if (left_out) document.whole("left_out", *left_out);
    document.raw("imports", std::move(list).finish());
    Response response;
    response.body = std::move(document).finish() + "\n";
    return response;
}

OrProblem<Seen> see_now(const Call& call) {
    auto view = call.fresh_view();
    if (!view) return tl::unexpected(view.error());
    return see(call, *std::move(view));
}

/// The content of the body; its volumes are not yet in ticks.
struct Told {
    std::string import;
    Ratio unit_l{1000, 1};
    std::vector<std::pair<Instant, Decimal>> readings;
};

OrProblem<std::pair<Instant, Decimal>> reading_in(const Json& reading, std::size_t place,
                                                  const CivilZone& zone) {
    const auto refuse_it = [&](std::string_view why) {
        return refuse(400, fmt::format("Reading {} of \"readings\" {}", place + 1, why));
    };
    if (!reading.is_object() || reading.size() != 2 || !reading.contains("time") ||
        !reading.contains("volume"))
        return refuse_it("must have a \"time\" and a \"volume\", and nothing else.");
    const Json& time = reading["time"];
    const auto at = time.is_string() ? zone.parse(time.get<std::string>()) : Result<Instant>(fail(""));
    if (!at) return refuse_it("has no \"time\" like \"2025-03-01\" or \"2025-03-01T08:00:00+01:00\".");
    const Json& volume = reading["volume"];
    const auto number = volume.is_string() ? decimal_in(volume.get<std::string>()) : std::nullopt;
    if (!number) return refuse_it("has no \"volume\" that is a decimal in quotes, like \"1234.567\".");
    return std::pair{*at, *number};
}

OrProblem<Told> told_in(const Call& call) {
    const auto document = parse_json(call.request.body);
    if (!document) return refuse(400, "The body is not JSON: " + document.error().text);
    if (!document->is_object()) return refuse(400, "The body must be a JSON object.");
    for (const auto& [name, value] : document->items()) {
        constexpr std::array known{"import", "unit", "readings"};
        if (std::ranges::find(known, name) == known.end())
            return refuse(400, fmt::format("Unknown member \"{}\". This call takes: import, unit, readings.",
                                           excerpt(name)));
    }
    Told told;
    if (const auto name = document->find("import"); name != document->end() && name->is_string())
        told.import = name->get<std::string>();
    if (const auto judged = judge_history_name(told.import); !judged)
        return refuse(400, "\"import\": " + judged.error().text);
    if (const auto unit = document->find("unit"); unit != document->end()) {
        const auto one =
            unit->is_string() ? parse_volume_l("1 " + unit->get<std::string>()) : Result<Ratio>(fail(""));
        if (!one) return refuse(400, "\"unit\" must be L, m3, gal_us, gal_imp or ft3.");
        told.unit_l = *one;
    }
    const auto readings = document->find("readings");
    if (readings == document->end() || !readings->is_array())
        return refuse(400, R"(Give "readings": a list of {"time":"…","volume":"…"} in order of time.)");
    if (readings->size() < 2)
        return refuse(400, "Give at least two \"readings\": the volume is their difference.");
    for (std::size_t i = 0; i < readings->size(); ++i) {
        const auto reading = reading_in((*readings)[i], i, call.parts.zone);
        if (!reading) return tl::unexpected(reading.error());
        told.readings.push_back(*reading);
    }
    return told;
}

/// The readings in whole ticks. One pulse value must hold for all of them.
OrProblem<std::vector<HistoryPoint>> points_of(const Told& told, const Seen& seen, const CivilZone& zone) {
    if (told.readings.empty()) return std::vector<HistoryPoint>{};
    const Span span{told.readings.front().first, told.readings.back().first};
    for (const PulseValueChange& change : seen.values.changes()) {
        if (change.from <= span.from || change.from >= span.to) continue;
        return refuse(409,
                      fmt::format("The pulse value of \"{}\" changes at {}. Send the readings before and "
                                  "after that time separately.",
                                  seen.meter.id, zone.format(change.from)));
    }
    const Ratio pulse_value_l = seen.values.at(span.from);
    std::vector<HistoryPoint> points;
    points.reserve(told.readings.size());
    for (const auto& [at, volume] : told.readings) {
        const auto ticks = ticks_in(volume, told.unit_l, pulse_value_l);
        if (!ticks) return refuse(400, fmt::format("The volume at {} is too large.", zone.format(at)));
        points.push_back({at, static_cast<std::int64_t>(*ticks)});
    }
    return points;
}

Result<bool> is_booked(const Seen& seen, const HistoryEntry& entry) {
    return history_of(seen, entry.span).map([&](const std::vector<HistoryEntry>& booked) {
        return std::ranges::find(booked, entry) != booked.end();
    });
}

}  // namespace

Response get_history(const Call& call) {
    const auto seen = see_now(call);
    return seen ? answer(*seen, call) : seen.error();
}

Response post_history(const Call& call) {
    const auto told = told_in(call);
    if (!told) return told.error();
    auto seen = see_now(call);
    if (!seen) return seen.error();
    const CivilZone& zone = call.parts.zone;
    const auto end = end_of(*seen, zone);
    if (!end)
        return problem(
            409, fmt::format("Nothing has been booked for \"{}\" yet. History ends where its own readings "
                             "begin. Try again after the first one.",
                             seen->meter.id));
    const auto points = points_of(*told, *seen, zone);
    if (!points) return points.error();
    const auto entries = history_entries(told->import, *points, *end, zone);
    if (!entries) return problem(409, entries.error().text);
    const auto left_out = static_cast<std::int64_t>(points->size() - 1 - entries->size());
    if (entries->empty()) return answer(*seen, call, left_out);
    const auto booked = history_of(*seen, {entries->front().span.from, entries->back().span.to});
    if (!booked) return ledger_problem(booked.error());
    const auto news = history_news(*entries, *booked, zone);
    if (!news) return problem(409, news.error().text);
    if (news->empty()) return answer(*seen, call, left_out);
    auto later = call.instruct(instruction_to_import(seen->meter.id, told->import, *points));
    if (!later) return later.error();
    seen = see(call, *std::move(later));
    if (!seen) return seen.error();
    const auto done = is_booked(*seen, news->back());
    if (!done) return ledger_problem(done.error());
    return *done ? answer(*seen, call, left_out) : accepted_for_later();
}

Response delete_history(const Call& call) {
    const auto import = call.parameter("import");
    if (!import) return problem(400, "Which import is to be undone? Give its name: ?import=NAME.");
    auto seen = see_now(call);
    if (!seen) return seen.error();
    const auto has_it = [&](const Seen& now) {
        return history_of(now, always).map([&](const std::vector<HistoryEntry>& entries) {
            return std::ranges::find(entries, *import, &HistoryEntry::import) != entries.end();
        });
    };
    auto is_there = has_it(*seen);
    if (!is_there) return ledger_problem(is_there.error());
    if (!*is_there)
        return problem(404,
                       fmt::format("There is no import \"{}\" of \"{}\". Its list of imports shows them all.",
                                   excerpt(*import), seen->meter.id));
    auto later = call.instruct(instruction_to_undo(seen->meter.id, *import));
    if (!later) return later.error();
    seen = see(call, *std::move(later));
    if (!seen) return seen.error();
    is_there = has_it(*seen);
    if (!is_there) return ledger_problem(is_there.error());
    return *is_there ? accepted_for_later() : answer(*seen, call);
}

}  // namespace tickledger
