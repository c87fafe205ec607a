// GET /v1/meters/{id}/usage: rows of civil time.
#include <fmt/format.h>

#include <algorithm>

#include "book/documents.hpp"
#include "serve/call.hpp"
#include "serve/cost.hpp"

namespace tickledger {

namespace {

constexpr std::int64_t rows_max = 100'000;
constexpr int rows_in_a_part = 500;

struct Range {
    Instant from{};
    Instant to{};
};

OrProblem<Step> step_of(const Call& call) {
    const auto text = call.parameter("step");
    if (!text) return Step::day;
    if (const auto step = step_named(*text)) return *step;
    return refuse(
        400, fmt::format("The query parameter \"step\" is \"{}\". Give interval, hour, day, month or year.",
                         *text));
}

// The shortest that a row of the step usually is: for a guess at how many there will be.
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

// Where the rows begin that are shown to someone who names no beginning: see docs/api.md.
Result<Instant> default_from(const Call& call, LedgerView& view, const FoundMeter& meter, Step step,
                             Instant to) {
    const CivilZone& zone = call.parts.zone;
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

OrProblem<Range> range_of(const Call& call, LedgerView& view, const FoundMeter& meter, Step step) {
    const CivilZone& zone = call.parts.zone;
    const auto from = call.instant("from");
    if (!from) return tl::unexpected(from.error());
    const auto to = call.instant("to");
    if (!to) return tl::unexpected(to.error());
    Range range;
    const date::sys_days today{zone.date_of(call.parts.now())};
    range.to = to->value_or(zone.start_of(today + date::days{1}));
    if (*from) {
        range.from = **from;
    } else {
        const auto found = default_from(call, view, meter, step, range.to);
        if (!found) return tl::unexpected(ledger_problem(found.error()));
        range.from = *found;
    }
    if (range.from >= range.to) {
        return refuse(400, fmt::format("The range from {} to {} is empty: \"to\" must lie after \"from\".",
                                       zone.format(range.from), zone.format(range.to)));
    }
    const auto rows = (range.to - range.from) / usual_length(step, meter.settings->interval);
    if (rows > rows_max) {
        return refuse(
            400, fmt::format("From {} to {} at step {} there are about {} rows; at most {} are answered at "
                             "once. Ask for a shorter range or a longer step.",
                             zone.format(range.from), zone.format(range.to), name_of(step), rows, rows_max));
    }
    return range;
}

// Writes the answer part by part.
class UsageAnswer {
public:
    UsageAnswer(const Call& call, std::shared_ptr<LedgerView> view, FoundMeter meter, PulseValues values,
                const TariffSettings* tariff, Step step, Range range)
        : partwise_(call, std::move(view)),
          meter_(std::move(meter)),
          values_(std::move(values)),
          tariff_(tariff),
          step_(step),
          rows_(call.parts.zone, meter_.settings->interval),
          to_(range.to),
          next_(rows_.row_at(step, range.from)) {
        // Rows that begin in the range count; the one that is cut by its beginning does not.
        if (next_.from < range.from) next_ = rows_.row_at(step, next_.to);
    }

    Result<bool> operator()(std::string& chunk) {
        return partwise_.part([&](LedgerView& view) { return write_part(view, chunk); });
    }

private:
    Result<bool> write_part(LedgerView& view, std::string& chunk) {
        if (!begun_) begin(chunk);
        for (int written = 0; next_.from < to_; ++written) {
            if (written == rows_in_a_part) return true;
            if (auto added = add_row(view, chunk); !added) return tl::unexpected(added.error());
            next_ = rows_.row_at(step_, next_.to);
        }
        chunk += "]}\n";
        return false;
    }

    void begin(std::string& chunk) {
        JsonObject head;
        head.text("meter", meter_.id);
        head.text("timezone", rows_.zone().name());
        head.text("step", name_of(step_));
        if (tariff_) head.text("currency", tariff_->currency);
        chunk = std::move(head).finish();
        chunk.back() = ',';
        chunk += "\"rows\":[";
        begun_ = true;
    }

    Result<void> add_row(LedgerView& view, std::string& chunk) {
        std::optional<Row> row;
        if (meter_.record) {
            auto read = view.row({meter_.record->key, step_, next_.from});
            if (!read) return tl::unexpected(read.error());
            row = *read;
        }
        const auto valued =
            valued_row(next_, row ? row->ticks : 0, values_, rows_.zone(), ticks_of_row(view, meter_));
        if (!valued) return tl::unexpected(valued.error());
        // Where one row ends the next one begins.
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

    PartwiseView partwise_;
    FoundMeter meter_;
    PulseValues values_;
    const TariffSettings* tariff_;  ///< Null: nobody asked what it cost.
    Step step_;
    RowFinder rows_;
    Instant to_;
    Span next_;
    std::string begins_;  ///< The beginning of the next row, in words.
    bool begun_ = false;
    bool is_first_row_ = true;
};

/// The tariff, where the cost is asked for.
OrProblem<const TariffSettings*> tariff_of(const Call& call) {
    const auto asked = call.parameter("cost");
    if (!asked || *asked == "false") return nullptr;
    if (*asked != "true")
        return refuse(400,
                      fmt::format("The query parameter \"cost\" is \"{}\". Give true or false.", *asked));
    const TariffSettings& tariff = call.parts.configuration->tariff;
    if (!tariff.price_per_m3.empty()) return &tariff;
    return refuse(400,
                  "No price is configured, so no cost can be told. Write price_per_m3 into [tariff] of the "
                  "configuration.");
}

}  // namespace

Response get_usage(const Call& call) {
    const auto step = step_of(call);
    if (!step) return step.error();
    const auto tariff = tariff_of(call);
    if (!tariff) return tariff.error();
    const auto view = call.fresh_view();
    if (!view) return view.error();
    const auto meter = find_meter(call, **view);
    if (!meter) return meter.error();
    const auto range = range_of(call, **view, *meter, *step);
    if (!range) return range.error();
    MeterSummary summary;
    if (meter->record) {
        auto summarised = call.parts.summarise(*meter->record, *meter->settings);
        if (!summarised) return ledger_problem(summarised.error());
        summary = *std::move(summarised);
    }
    Response response;
    response.chunks = UsageAnswer(call, *view, *meter,
                                  pulse_values(*meter->settings, summary.meter_register, call.parts.zone),
                                  *tariff, *step, *range);
    return response;
}

}  // namespace tickledger
