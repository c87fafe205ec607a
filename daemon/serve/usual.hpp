// What is usual at a meter: the median of its last days, and what of it had run by this time of day.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "serve/call.hpp"

namespace tickledger {

/// A meter's days, and what their ticks are worth. Keeps references: for the length of one call.
class MeterDays {
public:
    MeterDays(LedgerView& view, const FoundMeter& meter, const MeterSummary& summary, const CivilZone& zone);

    [[nodiscard]] Span day_at(Instant t) const { return zone_.row_at(Step::day, Duration{}, t); }
    [[nodiscard]] Result<std::optional<Row>> row(Step step, Instant begin) const;
    /// Ticks of the day that begins then, in millilitres.
    [[nodiscard]] std::int64_t millilitres(Instant begin, std::int64_t ticks) const;
    /// The value of a tick on the day that begins then.
    [[nodiscard]] Ratio value_at(Instant begin) const { return values_.at(begin); }

private:
    LedgerView& view_;
    const FoundMeter& meter_;
    PulseValues values_;
    const CivilZone& zone_;
};

/// How a day went: its ticks from midnight to the end of each hour, and what one of them was worth.
struct DayCourse {
    std::vector<std::int64_t> ticks_until_hour{0};
    Ratio pulse_value_l{1, 1};

    /// What had run so long after midnight; of the hour that this cuts, by its share.
    [[nodiscard]] std::int64_t until_ml(Duration since_midnight) const;
};

/// The median day of the last four weeks, of those days of which hardly anything is missing. Millilitres.
struct UsualDay {
    std::int64_t volume_ml = 0;
    std::int64_t low_ml = 0;   ///< A quarter of the days was below.
    std::int64_t high_ml = 0;  ///< A quarter of the days was above.
    /// The days that it is made of: three at least.
    std::vector<DayCourse> courses;

    /// The median of what had run so long after midnight.
    [[nodiscard]] std::int64_t until_ml(Duration since_midnight) const;
};

/// Reads four weeks of days and hours. Nothing: fewer than three days were seen nearly whole.
[[nodiscard]] Result<std::optional<UsualDay>> usual_day(const MeterDays& days, Span today,
                                                        const CivilZone& zone);

/// Keeps what is usual at each meter until midnight, so that a building of hundreds is not read anew with
/// each call. A fact that comes late to an earlier day counts from the next midnight on. Thread: one (the
/// server's).
class UsualDays {
public:
    /// What is kept of this day; null: it has not been worked out yet.
    [[nodiscard]] const std::optional<UsualDay>* find(const std::string& meter, Instant midnight) const;
    const std::optional<UsualDay>& keep(const std::string& meter, Instant midnight,
                                        std::optional<UsualDay> usual);

private:
    Instant midnight_{};
    std::map<std::string, std::optional<UsualDay>> kept_;
};

}  // namespace tickledger
