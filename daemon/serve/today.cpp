// GET /v1/meters/{id}/today: today and yesterday beside a usual day, and whether anything runs now.
#include <algorithm>
#include <numeric>

#include "book/documents.hpp"
#include "core/rounding.hpp"
#include "serve/call.hpp"
#include "serve/meter_facts.hpp"
#include "serve/register_words.hpp"

namespace tickledger {

namespace {

using std::chrono::hours;

/// Days before today that a usual day is made of.
constexpr int days_looked_at = 28;
/// With fewer, nothing is usual yet.
constexpr std::size_t days_needed = 3;

constexpr Ratio nothing{0, 1};

/// A day with its row, and what it is worth.
class Days {
public:
    Days(LedgerView& view, const FoundMeter& meter, const MeterSummary& summary, const CivilZone& zone)
        : view_(view),
          meter_(meter),
          values_(pulse_values(*meter.settings, summary.meter_register, zone)),
          zone_(zone) {}

    [[nodiscard]] Span day_at(Instant t) const { return zone_.row_at(Step::day, Duration{}, t); }

    [[nodiscard]] Result<std::optional<Row>> row(Step step, Instant begin) const {
        if (!meter_.record) return std::nullopt;
        return view_.row({meter_.record->key, step, begin});
    }

    [[nodiscard]] std::int64_t millilitres(Instant begin, std::int64_t ticks) const {
        return scaled_volume(ticks, values_.at(begin), nothing, 1, digits_l);
    }

    /// Ticks from a day's midnight to a moment of it; those of the hour that it cuts by the hour's share.
    [[nodiscard]] Result<std::int64_t> ticks_until(Span day, Instant moment) const {
        std::int64_t ticks = 0;
        for (Instant begin = day.from; begin < moment;) {
            const Span hour = zone_.row_at(Step::hour, Duration{}, begin);
            const auto found = row(Step::hour, hour.from);
            if (!found) return tl::unexpected(found.error());
            const auto seen = std::chrono::floor<std::chrono::seconds>(std::min(moment, hour.to) - hour.from);
            const auto length = std::chrono::floor<std::chrono::seconds>(hour.length());
            if (*found) ticks += rounded((*found)->ticks * seen.count(), length.count());
            begin = hour.to;
        }
        return ticks;
    }

    /// The day as a row of usage, and how much may have run unseen in it.
    [[nodiscard]] Result<std::string> describe(Span day) const {
        const auto found = row(Step::day, day.from);
        if (!found) return tl::unexpected(found.error());
        const Ratio value = values_.at(day.from);
        JsonObject object;
        add_row(object, zone_.format(day.from), zone_.format(day.to), *found,
                std::array{ValuedTicks{*found ? (*found)->ticks : 0, value}});
        std::int64_t unseen_ticks_max = 0;
        if (meter_.record) {
            const auto unseen = view_.unseen(meter_.record->key, day);
            if (!unseen) return tl::unexpected(unseen.error());
            for (const Entry& entry : *unseen)
                unseen_ticks_max += tickledger::unseen_ticks_max(entry, *meter_.settings);
        }
        object.whole("unseen_ticks_max", unseen_ticks_max);
        object.raw("unseen_l_max", volume_l_text(std::array{ValuedTicks{unseen_ticks_max, value}}));
        return std::move(object).finish();
    }

private:
    LedgerView& view_;
    const FoundMeter& meter_;
    PulseValues values_;
    const CivilZone& zone_;
};

/// Of whole numbers in order; the mean of the two in the middle where they are even in number.
std::int64_t median(const std::vector<std::int64_t>& sorted) {
    return std::midpoint(sorted[(sorted.size() - 1) / 2], sorted[sorted.size() / 2]);
}

/// The median day of the last four weeks, of those days of which hardly anything is missing; and what had run
/// on them as long after midnight as it is now.
Result<std::string> usual_day(const Days& days, Span today, Instant now) {
    std::vector<std::int64_t> whole_ml;
    std::vector<std::int64_t> until_now_ml;
    Span day = today;
    for (int i = 0; i < days_looked_at; ++i) {
        day = days.day_at(day.from - Duration{1});
        const auto row = days.row(Step::day, day.from);
        if (!row) return tl::unexpected(row.error());
        // An hour may be missing, as after a power cut.
        if (!*row || (*row)->covered < day.length() - hours{1}) continue;
        const auto until_now = days.ticks_until(day, std::min(day.to, day.from + (now - today.from)));
        if (!until_now) return tl::unexpected(until_now.error());
        whole_ml.push_back(days.millilitres(day.from, (*row)->ticks));
        until_now_ml.push_back(days.millilitres(day.from, *until_now));
    }
    if (whole_ml.size() < days_needed) return "null";
    std::ranges::sort(whole_ml);
    std::ranges::sort(until_now_ml);
    const std::size_t quarter = whole_ml.size() / 4;
    JsonObject object;
    object.whole("days", static_cast<std::int64_t>(whole_ml.size()));
    object.raw("volume_l", decimal(median(whole_ml), digits_l));
    object.raw("low_l", decimal(whole_ml[quarter], digits_l));
    object.raw("high_l", decimal(whole_ml[whole_ml.size() - 1 - quarter], digits_l));
    object.raw("until_now_l", decimal(median(until_now_ml), digits_l));
    return std::move(object).finish();
}

std::string last_span(const MeterSummary& summary, const MeterSettings& settings, const CivilZone& zone,
                      Instant now) {
    if (!summary.last_span) return "null";
    JsonObject object;
    object.text("from", zone.format(summary.last_span->from));
    object.text("to", zone.format(summary.last_span->to));
    object.whole("ticks", summary.last_span_ticks);
    object.raw("flow_l_per_h", flow_text(summary.flow_l_per_h));
    add_flow_age(object, summary, settings, now);
    object.optional_text(
        "still_since", summary.still_since ? std::optional(zone.format(*summary.still_since)) : std::nullopt);
    return std::move(object).finish();
}

Result<std::string> document_of(const Call& call, LedgerView& view, const FoundMeter& meter) {
    const CivilZone& zone = call.parts.zone;
    MeterSummary summary;
    if (meter.record) {
        auto summarised = call.parts.summarise(*meter.record, *meter.settings);
        if (!summarised) return tl::unexpected(summarised.error());
        summary = *std::move(summarised);
    }
    const Days days(view, meter, summary, zone);
    const Instant now = call.parts.now();
    const Span today = days.day_at(now);
    const auto of_today = days.describe(today);
    if (!of_today) return of_today;
    const auto of_yesterday = days.describe(days.day_at(today.from - Duration{1}));
    if (!of_yesterday) return of_yesterday;
    const auto usual = usual_day(days, today, now);
    if (!usual) return usual;

    JsonObject document;
    document.text("meter", meter.id);
    document.text("timezone", zone.name());
    document.text("time", zone.format(now));
    document.raw("last_span", last_span(summary, *meter.settings, zone, now));
    document.raw("today", *of_today);
    document.raw("yesterday", *of_yesterday);
    document.raw("usual", *usual);
    return std::move(document).finish();
}

}  // namespace

Response get_today(const Call& call) {
    const auto view = call.fresh_view();
    if (!view) return view.error();
    const auto meter = find_meter(call, **view);
    if (!meter) return meter.error();
    const auto document = document_of(call, **view, *meter);
    if (!document) return ledger_problem(document.error());
    Response response;
    response.body = *document + "\n";
    return response;
}

}  // namespace tickledger
