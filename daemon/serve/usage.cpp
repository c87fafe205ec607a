// GET /v1/meters/{id}/usage and GET /v1/usage: rows of civil time.
#include "serve/usage.hpp"

#include <fmt/format.h>

#include <algorithm>

#include "book/documents.hpp"
#include "serve/cost.hpp"
#include "serve/meter_facts.hpp"

namespace tickledger {

namespace {

constexpr std::int64_t rows_max = 100'000;
constexpr int rows_in_a_part = 500;

OrProblem<Step> step_of(const Call& call) {
    const auto text = call.parameter("step");
    if (!text) return Step::day;
    if (const auto step = step_named(*text)) return *step;
    return refuse(
        400, fmt::format("The query parameter \"step\" is \"{}\". Give interval, hour, day, month or year.",
                         *text));
}

// The shortest usual length of a row, to estimate the number of rows.
Duration usual_length(Step step, Duration interval) {
    using std::chrono::hours;
    switch (step) {
        case Step::interval:
            return interval;
        case Step::hour:
            return hours{1};
        case Step::day:
            return hours{24};
        case Step::month:
            return hours{24} * 28;
        case Step::year:
            return hours{24} * 365;
    }
    return interval;
}

// Where the rows begin if no beginning is given; see docs/api.md.
Result<Instant> default_from(const CivilZone& zone, LedgerView& view, const FoundMeter& meter, Step step,
                             Instant to) {
    const date::year_month_day last_day = zone.date_of(to - Duration{1});
    switch (step) {
        case Step::interval:
        case Step::hour:
            return zone.start_of(last_day);
        case Step::day:
            return zone.start_of(date::sys_days{last_day} - date::days{6});
        case Step::month:
            return zone.start_of(last_day.year() / date::January / 1);
        case Step::year:
            break;
    }
    Instant first = to - Duration{1};
    if (meter.record) {
        auto read = view.entries(meter.record->key, Span{Instant{}, to}, [&first](const Entry& entry) {
            first = std::min(first, entry.span.from);
            return false;
        });
        if (!read) return tl::unexpected(read.error());
        const auto history = view.history_begin(meter.record->key);
        if (!history) return tl::unexpected(history.error());
        first = std::min(first, history->value_or(first));
    }
    return zone.start_of(zone.date_of(first).year() / date::January / 1);
}

/// The tariff if the cost is asked for, otherwise null.
OrProblem<const TariffSettings*> tariff_of(const Call& call) {
    const auto asked = call.parameter("cost");
    if (!asked || *asked == "false") return nullptr;
    if (*asked != "true")
        return refuse(400,
                      fmt::format("The query parameter \"cost\" is \"{}\". Give true or false.", *asked));
    const TariffSettings& tariff = call.parts.configuration->tariff;
    if (!tariff.price_per_m3.empty()) return &tariff;
    return refuse(400,
                  "No price is configured, so no cost can be given. Set price_per_m3 in [tariff] of the "
                  "configuration.");
}

/// The answer for one meter.
class UsageAnswer {
public:
    UsageAnswer(const Call& call, std::shared_ptr<LedgerView> view, UsageDocument document)
        : partwise_(call, std::move(view)), document_(std::move(document)) {}

    Result<bool> operator()(std::string& chunk) {
        return partwise_.part([&](LedgerView& view) -> Result<bool> {
            int rows_left = rows_in_a_part;
            auto more = document_.write_part(view, rows_left, chunk);
            if (more && !*more) chunk += '\n';
            return more;
        });
    }

private:
    PartwiseView partwise_;
    UsageDocument document_;
};

/// The answer for many meters: a list of the documents that each one's own call answers.
class UsageOfAll {
public:
    UsageOfAll(const Call& call, std::shared_ptr<LedgerView> view, std::vector<FoundMeter> meters,
               const UsageAsked& asked)
        : parts_(&call.parts), partwise_(call, std::move(view)), meters_(std::move(meters)), asked_(asked) {}

    Result<bool> operator()(std::string& chunk) {
        return partwise_.part([&](LedgerView& view) { return write_part(view, chunk); });
    }

private:
    Result<bool> write_part(LedgerView& view, std::string& chunk) {
        if (!std::exchange(begun_, true)) chunk = "{\"meters\":[";
        for (int rows_left = rows_in_a_part; next_ < meters_.size();) {
            // A meter without rows takes time too, so it counts as one.
            if (rows_left-- <= 0) return true;
            if (!document_) {
                // All ranges were checked before the answer began.
                const auto range = unchecked_usage_range(*parts_, view, meters_[next_], asked_);
                if (!range) return tl::unexpected(range.error());
                auto opened = usage_document(*parts_, meters_[next_], asked_, *range);
                if (!opened) return tl::unexpected(opened.error());
                document_.emplace(*std::move(opened));
                if (next_ > 0) chunk += ',';
            }
            const auto more = document_->write_part(view, rows_left, chunk);
            if (!more || *more) return more;
            document_.reset();
            ++next_;
        }
        chunk += "]}\n";
        return false;
    }

    const ApiParts* parts_;
    PartwiseView partwise_;
    std::vector<FoundMeter> meters_;
    UsageAsked asked_;
    std::size_t next_ = 0;
    std::optional<UsageDocument> document_;  ///< The next meter's, once it has begun.
    bool begun_ = false;
};

}  // namespace

OrProblem<UsageAsked> usage_asked(const Call& call) {
    const auto step = step_of(call);
    if (!step) return tl::unexpected(step.error());
    const auto tariff = tariff_of(call);
    if (!tariff) return tl::unexpected(tariff.error());
    const auto from = call.instant("from");
    if (!from) return tl::unexpected(from.error());
    const auto to = call.instant("to");
    if (!to) return tl::unexpected(to.error());
    const CivilZone& zone = call.parts.zone;
    const date::sys_days today{zone.date_of(call.parts.now())};
    return UsageAsked{*step, *from, to->value_or(zone.start_of(today + date::days{1})), *tariff};
}

Result<Span> unchecked_usage_range(const ApiParts& parts, LedgerView& view, const FoundMeter& meter,
                                   const UsageAsked& asked) {
    if (asked.from) return Span{*asked.from, asked.to};
    const auto from = default_from(parts.zone, view, meter, asked.step, asked.to);
    if (!from) return tl::unexpected(from.error());
    return Span{*from, asked.to};
}

OrProblem<Span> usage_range(const ApiParts& parts, LedgerView& view, const FoundMeter& meter,
                            const UsageAsked& asked) {
    const auto found = unchecked_usage_range(parts, view, meter, asked);
    if (!found) return tl::unexpected(ledger_problem(found.error()));
    const Span range = *found;
    const CivilZone& zone = parts.zone;
    if (range.from >= range.to) {
        return refuse(400, fmt::format("The range from {} to {} is empty: \"to\" must be after \"from\".",
                                       zone.format(range.from), zone.format(range.to)));
    }
    const auto rows = (range.to - range.from) / usual_length(asked.step, meter.settings->interval);
    if (rows > rows_max) {
        return refuse(
            400,
            fmt::format("From {} to {} at step {} there are about {} rows; one answer has at most {}. Ask "
                        "for a shorter range or a longer step.",
                        zone.format(range.from), zone.format(range.to), name_of(asked.step), rows, rows_max));
    }
    return range;
}

UsageDocument::UsageDocument(const ApiParts& parts, FoundMeter meter, PulseValues values,
                             const UsageAsked& asked, Span range)
    : meter_(std::move(meter)),
      values_(std::move(values)),
      tariff_(asked.tariff),
      step_(asked.step),
      rows_(parts.zone, meter_.settings->interval),
      to_(range.to),
      next_(rows_.row_at(step_, range.from)) {
    // Rows that begin in the range count. A row that began before it does not.
    if (next_.from < range.from) next_ = rows_.row_at(step_, next_.to);
}

Result<bool> UsageDocument::write_part(LedgerView& view, int& rows_left, std::string& chunk) {
    if (!std::exchange(begun_, true)) begin(chunk);
    for (; next_.from < to_; --rows_left) {
        if (rows_left <= 0) return true;
        if (auto added = add_row(view, chunk); !added) return tl::unexpected(added.error());
        next_ = rows_.row_at(step_, next_.to);
    }
    chunk += "]}";
    return false;
}

void UsageDocument::begin(std::string& chunk) {
    JsonObject head;
    head.text("meter", meter_.id);
    head.text("timezone", rows_.zone().name());
    head.text("step", name_of(step_));
    if (tariff_) head.text("currency", tariff_->currency);
    chunk += std::move(head).finish();
    chunk.back() = ',';
    chunk += "\"rows\":[";
}

Result<void> UsageDocument::add_row(LedgerView& view, std::string& chunk) {
    std::optional<Row> row;
    if (meter_.record) {
        auto read = view.row({meter_.record->key, step_, next_.from});
        if (!read) return tl::unexpected(read.error());
        row = *read;
    }
    const auto valued =
        valued_row(next_, row ? row->ticks : 0, values_, rows_.zone(), ticks_of_row(view, meter_));
    if (!valued) return tl::unexpected(valued.error());
    // The end of one row is the beginning of the next.
    if (begins_.empty()) begins_ = rows_.zone().format(next_.from);
    std::string ends = rows_.zone().format(next_.to);
    JsonObject object;
    tickledger::add_row(object, begins_, ends, row, *valued);
    begins_ = std::move(ends);
    if (tariff_) {
        const auto cost = cost_of(next_, step_, row ? row->ticks : 0, values_, *tariff_, rows_.zone(),
                                  ticks_of_row(view, meter_));
        if (!cost) return tl::unexpected(cost.error());
        object.raw("cost", row && *cost ? **cost : "null");
    }
    if (!std::exchange(is_first_row_, false)) chunk += ',';
    chunk += std::move(object).finish();
    return {};
}

Result<UsageDocument> usage_document(const ApiParts& parts, const FoundMeter& meter, const UsageAsked& asked,
                                     Span range) {
    MeterSummary summary;
    if (meter.record) {
        auto summarised = parts.summarise(*meter.record, *meter.settings);
        if (!summarised) return tl::unexpected(summarised.error());
        summary = *std::move(summarised);
    }
    return UsageDocument(parts, meter, pulse_values(*meter.settings, summary.meter_register, parts.zone),
                         asked, range);
}

Response get_usage(const Call& call) {
    const auto asked = usage_asked(call);
    if (!asked) return asked.error();
    const auto view = call.fresh_view();
    if (!view) return view.error();
    const auto meter = find_meter(call, **view);
    if (!meter) return meter.error();
    const auto range = usage_range(call.parts, **view, *meter, *asked);
    if (!range) return range.error();
    auto document = usage_document(call.parts, *meter, *asked, *range);
    if (!document) return ledger_problem(document.error());
    Response response;
    response.chunks = UsageAnswer(call, *view, *std::move(document));
    return response;
}

Response get_usage_of_all(const Call& call) {
    const auto asked = usage_asked(call);
    if (!asked) return asked.error();
    const auto view = call.fresh_view();
    if (!view) return view.error();
    auto meters = all_meters(call.parts, **view);
    if (!meters) return ledger_problem(meters.error());
    if (const auto group = call.parameter("group")) {
        std::erase_if(*meters, [&](const FoundMeter& meter) {
            // A meter without a group has an empty one, and an empty name is not a question for it.
            return group->empty() || names_of(*call.parts.configuration, meter.id).group != *group;
        });
        if (meters->empty()) {
            return problem(404, fmt::format("There is no meter in the group \"{}\". GET /v1/meters shows "
                                            "the group of each meter.",
                                            *group));
        }
    }
    // Check now: once the answer has begun, it can no longer be refused.
    for (const FoundMeter& meter : *meters) {
        if (const auto range = usage_range(call.parts, **view, meter, *asked); !range) return range.error();
        // Only intervals differ between meters.
        if (asked->step != Step::interval) break;
    }
    Response response;
    response.chunks = UsageOfAll(call, *view, *std::move(meters), *asked);
    return response;
}

}  // namespace tickledger
