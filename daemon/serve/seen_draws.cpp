#include "serve/seen_draws.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <array>

#include "book/told_draws.hpp"
#include "tickledger/words.hpp"

namespace tickledger {

namespace {

using std::chrono::hours;

constexpr std::size_t entries_max = 500'000;
/// How much time before a week is used to learn the house's habits.
constexpr Duration learn_for = hours{24} * 14;
/// Entries are stored by time, not by meter. So reading one meter's entries costs the rows of all meters.
constexpr double rows_to_read = 2e6;
constexpr double rows_in_a_week_most = 1e6;

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
    const double rows_a_second =
        static_cast<double>((entries + 1) * meters) / std::chrono::duration<double>(in).count();
    const std::chrono::duration<double> affordable{std::min(1e7, rows_to_read / rows_a_second)};
    return std::min(learn_for, std::chrono::duration_cast<Duration>(affordable));
}

/// Four in the morning of a day: little water runs then.
Instant turn_of(date::sys_days day, const CivilZone& zone) {
    return zone.at(date::year_month_day{day}, hours{4});
}

/// The day from 04:00 to 04:00 that holds the moment.
date::sys_days day_of(Instant t, const CivilZone& zone) {
    const date::sys_days day{zone.date_of(t)};
    return t < turn_of(day, zone) ? day - date::days{1} : day;
}

/// The draws of one meter, week by week.
class Weeks {
public:
    Weeks(const CivilZone& zone, LedgerView& view, const FoundMeter& meter, std::size_t meters)
        : zone_(zone), view_(view), meter_(meter.record->key), uses_(meter.settings->uses), meters_(meters) {}

    /// The week that holds the moment, or the day if the week before had too many readings.
    [[nodiscard]] Result<Span> at(Instant t) const {
        const date::sys_days day = day_of(t, zone_);
        const date::sys_days monday = monday_of(day);
        const Instant begin = turn_of(monday, zone_);
        const auto most = static_cast<std::size_t>(rows_in_a_week_most / static_cast<double>(meters_));
        const auto before = count(view_, meter_, {turn_of(monday - date::days{7}, zone_), begin}, most);
        if (!before) return tl::unexpected(before.error());
        if (*before > most) return Span{turn_of(day, zone_), turn_of(day + date::days{1}, zone_)};
        return Span{begin, turn_of(monday + date::days{7}, zone_)};
    }

    /// Adds the draws of the week that begin in the span, or still ran when the span began.
    [[nodiscard]] Result<void> add_draws(Span week, Span span, SeenDraws& seen) const {
        const auto entries = entries_of(week);
        if (!entries) return tl::unexpected(entries.error());
        const double pulse_value_l = seen.values.at(week.to).value();
        const std::array cuts{week.from, week.to};
        std::vector<Draw> draws = draws_in(*entries, pulse_value_l, cuts);
        label_draws(draws, pulse_value_l, {.told = seen.told, .uses = uses_, .cuts = cuts});
        const Instant to = std::min(week.to, span.to);
        for (Draw& draw : draws) {
            if (draw.span.from < week.from || draw.span.from >= to) continue;
            const bool is_begun_before = draw.span.from < span.from;
            if (is_begun_before && draw.span.to <= span.from) continue;
            const double correction = seen.values.at(draw.span.from).value() / pulse_value_l;
            draw.mean_flow_l_per_h *= correction;
            draw.peak_flow_l_per_h *= correction;
            (is_begun_before ? seen.begun_before : seen.draws).push_back(std::move(draw));
        }
        return {};
    }

private:
    [[nodiscard]] Result<std::vector<Entry>> entries_of(Span week) const {
        const auto asked = count(view_, meter_, week, entries_max);
        if (!asked) return tl::unexpected(asked.error());
        const Duration before = affordable_before(*asked, week.length(), meters_);
        std::vector<Entry> entries;
        auto read = view_.entries(meter_, {week.from - before, week.to}, [&](const Entry& entry) {
            entries.push_back(entry);
            return true;
        });
        if (!read) return tl::unexpected(read.error());
        return entries;
    }

    const CivilZone& zone_;
    LedgerView& view_;
    const MeterKey meter_;
    const std::vector<DrawLabel>& uses_;
    const std::size_t meters_;
};

}  // namespace

OrProblem<SeenDraws> see_draws(const Call& call, LedgerView& view, const FoundMeter& meter, Span span) {
    SeenDraws seen;
    if (!meter.record) return seen;
    const CivilZone& zone = call.parts.zone;
    const auto summary = call.parts.summarise(*meter.record, *meter.settings);
    if (!summary) return tl::unexpected(ledger_problem(summary.error()));
    seen.values = pulse_values(*meter.settings, summary->meter_register, zone);
    const auto asked = count(view, meter.record->key, span, entries_max);
    if (!asked) return tl::unexpected(ledger_problem(asked.error()));
    if (*asked > entries_max) {
        return refuse(
            400,
            fmt::format("From {} to {} there are more than {} readings of \"{}\". Ask for a shorter range.",
                        in_words(span.from, zone), in_words(span.to, zone), entries_max, meter.id));
    }
    const auto told = view.fact(told_draws_fact(meter.id));
    if (!told) return tl::unexpected(ledger_problem(told.error()));
    if (*told) seen.told = told_draws_in(**told);
    const auto meters = view.meters();
    if (!meters) return tl::unexpected(ledger_problem(meters.error()));
    const Weeks weeks(zone, view, meter, meters->size());
    for (Instant next = span.from; next < span.to;) {
        const auto week = weeks.at(next);
        if (!week) return tl::unexpected(ledger_problem(week.error()));
        if (const auto added = weeks.add_draws(*week, span, seen); !added)
            return tl::unexpected(ledger_problem(added.error()));
        next = week->to;
    }
    return seen;
}

}  // namespace tickledger
