#include "serve/usual.hpp"

#include <algorithm>
#include <numeric>

#include "core/rounding.hpp"

namespace tickledger {

namespace {

using std::chrono::hours;

/// How many days before today a usual day is computed from.
constexpr int days_looked_at = 28;
/// With fewer days, nothing is usual yet.
constexpr std::size_t days_needed = 3;
constexpr Ratio nothing{0, 1};

/// The median; with an even number of values, the mean of the middle two.
std::int64_t median(std::vector<std::int64_t>& numbers) {
    std::ranges::sort(numbers);
    return std::midpoint(numbers[(numbers.size() - 1) / 2], numbers[numbers.size() / 2]);
}

Result<DayCourse> course_of(const MeterDays& days, Span day, const CivilZone& zone) {
    DayCourse course;
    course.pulse_value_l = days.value_at(day.from);
    for (Instant begin = day.from; begin < day.to;) {
        const Span span = zone.row_at(Step::hour, Duration{}, begin);
        const auto row = days.row(Step::hour, span.from);
        if (!row) return tl::unexpected(row.error());
        course.ticks_until_hour.push_back(course.ticks_until_hour.back() + (*row ? (*row)->ticks : 0));
        begin = span.to;
    }
    return course;
}

}  // namespace

MeterDays::MeterDays(LedgerView& view, const FoundMeter& meter, const MeterSummary& summary,
                     const CivilZone& zone)
    : view_(view),
      meter_(meter),
      values_(pulse_values(*meter.settings, summary.meter_register, zone)),
      zone_(zone) {}

Result<std::optional<Row>> MeterDays::row(Step step, Instant begin) const {
    if (!meter_.record) return std::nullopt;
    return view_.row({meter_.record->key, step, begin});
}

std::int64_t MeterDays::millilitres(Instant begin, std::int64_t ticks) const {
    return scaled_volume(ticks, values_.at(begin), nothing, 1, digits_l);
}

std::int64_t DayCourse::until_ml(Duration since_midnight) const {
    const auto passed = std::max(since_midnight, Duration{0});
    const auto whole = static_cast<std::size_t>(std::chrono::floor<hours>(passed).count());
    std::int64_t ticks = ticks_until_hour.back();
    if (whole + 1 < ticks_until_hour.size()) {
        const auto rest = std::chrono::floor<std::chrono::seconds>(passed % hours{1});
        const std::int64_t gain = ticks_until_hour[whole + 1] - ticks_until_hour[whole];
        ticks =
            ticks_until_hour[whole] + rounded(gain * rest.count(), std::chrono::seconds{hours{1}}.count());
    }
    return scaled_volume(ticks, pulse_value_l, nothing, 1, digits_l);
}

std::int64_t UsualDay::until_ml(Duration since_midnight) const {
    std::vector<std::int64_t> each;
    each.reserve(courses.size());
    for (const DayCourse& course : courses)
        each.push_back(course.until_ml(since_midnight));
    return median(each);
}

Result<std::optional<UsualDay>> usual_day(const MeterDays& days, Span today, const CivilZone& zone) {
    UsualDay usual;
    std::vector<std::int64_t> whole_ml;
    Span day = today;
    for (int i = 0; i < days_looked_at; ++i) {
        day = days.day_at(day.from - Duration{1});
        const auto row = days.row(Step::day, day.from);
        if (!row) return tl::unexpected(row.error());
        // Up to an hour may be missing, as after a power cut.
        if (!*row || (*row)->covered < day.length() - hours{1}) continue;
        auto course = course_of(days, day, zone);
        if (!course) return tl::unexpected(course.error());
        whole_ml.push_back(days.millilitres(day.from, (*row)->ticks));
        usual.courses.push_back(*std::move(course));
    }
    if (whole_ml.size() < days_needed) return std::nullopt;
    usual.volume_ml = median(whole_ml);
    const std::size_t quarter = whole_ml.size() / 4;
    usual.low_ml = whole_ml[quarter];
    usual.high_ml = whole_ml[whole_ml.size() - 1 - quarter];
    return usual;
}

const std::optional<UsualDay>* UsualDays::find(const std::string& meter, Instant midnight) const {
    if (midnight != midnight_) return nullptr;
    const auto found = kept_.find(meter);
    return found == kept_.end() ? nullptr : &found->second;
}

const std::optional<UsualDay>& UsualDays::keep(const std::string& meter, Instant midnight,
                                               std::optional<UsualDay> usual) {
    if (midnight != midnight_) kept_.clear();
    midnight_ = midnight;
    return kept_[meter] = std::move(usual);
}

}  // namespace tickledger
