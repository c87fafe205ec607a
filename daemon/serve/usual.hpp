// Works out what is usual at a meter: the median of its last days, and how much of it had run by this time of
// day.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "serve/call.hpp"

namespace tickledger {

/// A meter's rows, and the value of their ticks. Keeps references, so it must not outlive one call.
class MeterDays {
public:
    MeterDays(LedgerView& view, const FoundMeter& meter, const MeterSummary& summary, const CivilZone& zone);

    [[nodiscard]] Span day_at(Instant t) const { return zone_.row_at(Step::day, Duration{}, t); }
    [[nodiscard]] Result<std::optional<Row>> row(Step step, Instant begin) const;
    /// The volume of ticks of the day that begins then, in millilitres.
    [[nodiscard]] std::int64_t millilitres(Instant begin, std::int64_t ticks) const;
    /// The value of a tick on the day that begins then.
    [[nodiscard]] Ratio value_at(Instant begin) const { return values_.at(begin); }

private:
    LedgerView& view_;
    const FoundMeter& meter_;
    PulseValues values_;
    const CivilZone& zone_;
};

/// The course of a day: its ticks from midnight to the end of each hour, and the value of one tick.
struct DayCourse {
    std::vector<std::int64_t> ticks_until_hour{0};
    Ratio pulse_value_l{1, 1};

    /// The volume from midnight until this long after it. Of an hour that is cut, the same share of its ticks
    /// counts.
    [[nodiscard]] std::int64_t until_ml(Duration since_midnight) const;
};

/// The median day of the last four weeks, without days of which more than an hour is missing. Millilitres.
struct UsualDay {
    std::int64_t volume_ml = 0;
    std::int64_t low_ml = 0;   ///< A quarter of the days had less.
    std::int64_t high_ml = 0;  ///< A quarter of the days had more.
    /// The days that it is computed from: at least three.
    std::vector<DayCourse> courses;

    /// The median volume from midnight until this long after it.
    [[nodiscard]] std::int64_t until_ml(Duration since_midnight) const;
};

/// Reads four weeks of days and hours. Nothing if fewer than three days were seen nearly whole.
[[nodiscard]] Result<std::optional<UsualDay>> usual_day(const MeterDays& days, Span today,
                                                        const CivilZone& zone);

/// Keeps what is usual at each meter until midnight, so that not every call reads it again for a building
/// with hundreds of meters. A late fact about an earlier day counts from the next midnight. Thread: one (the
/// server's).
class UsualDays {
public:
    /// The value kept for this day; null if it has not been worked out yet.
    [[nodiscard]] const std::optional<UsualDay>* find(const std::string& meter, Instant midnight) const;
    const std::optional<UsualDay>& keep(const std::string& meter, Instant midnight,
                                        std::optional<UsualDay> usual);

private:
    Instant midnight_{};
    std::map<std::string, std::optional<UsualDay>> kept_;
};

}  // namespace tickledger
