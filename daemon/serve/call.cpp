#include "serve/call.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cstring>
#include <map>

#include "book/accounts.hpp"
#include "serve/point.hpp"

namespace tickledger {

namespace {

constexpr std::size_t idle_views_max = 4;

/// flat-2 comes before flat-10, as people count.
struct ByNumber {
    bool operator()(const std::string& a, const std::string& b) const {
        return ::strverscmp(a.c_str(), b.c_str()) < 0;
    }
};

}  // namespace

Response ledger_problem(const Error& error) {
    return problem(500, fmt::format("The ledger cannot be read: {}", error.text));
}

Result<std::shared_ptr<LedgerView>> Snapshots::take() const {
    std::unique_ptr<LedgerView> view;
    // A view of a removed file would show its old content for ever.
    std::erase_if(*idle_, [](const auto& idle) { return !idle->is_in_place(); });
    if (idle_->empty()) {
        auto opened = parts_.open_view();
        if (!opened) return tl::unexpected(opened.error());
        view = *std::move(opened);
    } else {
        view = std::move(idle_->back());
        idle_->pop_back();
    }
    if (auto begun = view->begin(); !begun) return tl::unexpected(begun.error());
    return std::shared_ptr<LedgerView>(view.release(), [idle = idle_](LedgerView* returned) {
        std::unique_ptr<LedgerView> owned(returned);
        owned->end();
        if (idle->size() < idle_views_max) idle->push_back(std::move(owned));
    });
}

Result<LedgerView*> PartwiseView::get() {
    if (!view_) {
        auto taken = snapshots_->take();
        if (!taken) return tl::unexpected(taken.error());
        view_ = *std::move(taken);
    }
    return view_.get();
}

void PartwiseView::end_part() {
    if (std::chrono::steady_clock::now() - since_ >= longest_) view_.reset();
}

std::optional<std::string> Call::parameter(std::string_view name) const {
    for (const auto& [key, value] : request.query) {
        if (key == name) return value;
    }
    return std::nullopt;
}

OrProblem<std::optional<Instant>> Call::instant(std::string_view name) const {
    const auto text = parameter(name);
    if (!text) return std::nullopt;
    PointsFrom points{parts.now(), parts.now()};
    if (const auto end = parameter("to"); end && name != "to")
        points.week = point_of(*end, parts.zone, points).value_or(points.now);
    const auto read = point_of(*text, parts.zone, points);
    if (read) return *read;
    const bool is_relative =
        text->starts_with("now") || text->starts_with("today") || text->starts_with("monday");
    const std::string why =
        is_relative ? read.error().text + " Write it like today-6d, now-36h or 2026-03-01."
                    : "Give a date like 2026-03-01, a time like 2026-03-01T08:00:00+01:00, or now, today or "
                      "monday, alone or as in today-6d.";
    return refuse(400, fmt::format("The query parameter \"{}\" is \"{}\". {}", name, *text, why));
}

OrProblem<Span> Call::span(Duration default_length) const {
    const auto from = instant("from");
    if (!from) return tl::unexpected(from.error());
    const auto to = instant("to");
    if (!to) return tl::unexpected(to.error());
    Span span;
    span.to = to->value_or(parts.now());
    span.from = from->value_or(span.to - default_length);
    if (span.from < span.to) return span;
    return refuse(400, fmt::format("The range from {} to {} is empty: \"to\" must be after \"from\".",
                                   parts.zone.format(span.from), parts.zone.format(span.to)));
}

OrProblem<std::shared_ptr<LedgerView>> Call::fresh_view() const {
    if (request.sees_accepted == SeesAccepted::ask_again) {
        Response later;
        later.is_to_wait = true;
        return tl::unexpected(std::move(later));
    }
    if (request.sees_accepted == SeesAccepted::not_yet) parts.catch_up();
    auto view = snapshots.take();
    if (!view) return tl::unexpected(ledger_problem(view.error()));
    return *std::move(view);
}

OrProblem<std::shared_ptr<LedgerView>> Call::instruct(std::string document) const {
    if (const auto kept = parts.instruct(std::move(document)); !kept) return refuse(503, kept.error().text);
    return fresh_view();
}

Response accepted_for_later() {
    Response response;
    response.status = 202;
    response.body =
        "{\"text\":\"The instruction is saved. It takes effect once the earlier messages are booked: within "
        "half a minute, or when the trouble reported by /v1/health is over. Sending it again does no "
        "harm.\"}\n";
    return response;
}

bool is_configured(const ApiParts& parts, const std::string& id) {
    const auto& meters = parts.configuration->meters;
    const auto found = std::ranges::find(meters, id, &MeterSettings::id);
    return found != meters.end() && !is_pattern(*found);
}

TicksOfRow ticks_of_row(LedgerView& view, const FoundMeter& meter) {
    return [&view, &meter](Step step, Instant begin) -> Result<std::int64_t> {
        if (!meter.record) return 0;
        const auto row = view.row({meter.record->key, step, begin});
        if (!row) return tl::unexpected(row.error());
        return *row ? (*row)->ticks : 0;
    };
}

Result<std::vector<ValuedTicks>> total_of(LedgerView& view, const FoundMeter& meter,
                                          const MeterSummary& summary, const PulseValues& values,
                                          const CivilZone& zone) {
    return valued_total(summary.total_ticks, summary.meter_register, values, zone, ticks_of_row(view, meter));
}

OrProblem<FoundMeter> find_meter(const Call& call, LedgerView& view, const std::string& id) {
    auto record = view.meter(id);
    if (!record) return tl::unexpected(ledger_problem(record.error()));
    if (!*record && !is_configured(call.parts, id)) {
        return refuse(404, fmt::format("There is no meter \"{}\". GET /v1/meters lists the meters.", id));
    }
    if (const MeterSettings* settings = call.parts.settings_for(id)) {
        return FoundMeter{id, settings, *std::move(record)};
    }
    return refuse(
        404, fmt::format("The meter \"{}\" is in the ledger but not in the configuration, so the value of "
                         "its ticks is not known. Add its [[meter]] table again to see it.",
                         id));
}

Result<std::vector<FoundMeter>> all_meters(const ApiParts& parts, LedgerView& view) {
    auto records = view.meters();
    if (!records) return tl::unexpected(records.error());
    std::map<std::string, MeterRecord, ByNumber> by_id;
    for (MeterRecord& record : *records)
        by_id.emplace(record.id, std::move(record));

    std::vector<FoundMeter> found;
    for (const MeterSettings& settings : parts.configuration->meters) {
        if (is_pattern(settings)) continue;
        auto node = by_id.extract(settings.id);
        found.push_back(
            {settings.id, &settings, node ? std::optional(std::move(node.mapped())) : std::nullopt});
    }
    // The records left belong to patterns, or to meters that are no longer configured.
    for (auto& [id, record] : by_id) {
        if (const MeterSettings* settings = parts.settings_for(id))
            found.push_back({id, settings, std::move(record)});
    }
    return found;
}

}  // namespace tickledger
