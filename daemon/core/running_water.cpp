#include "tickledger/running_water.hpp"

#include <algorithm>
#include <cmath>

#include "tickledger/hours.hpp"

namespace tickledger {

namespace {

/// A block holds this many ticks, or would at the limit: enough that one more or less does not decide.
constexpr double ticks_a_block = 5;

Duration duration_of_h(double h) {
    return Duration{std::llround(h * 3600e6)};
}

bool is_seen(const Entry& entry) {
    return entry.kind == EntryKind::measured && !entry.time_estimated;
}

}  // namespace

bool HighFlow::add(const Entry& entry, const MeterSettings& meter) {
    if (entry.kind == EntryKind::adjustment) return false;
    const double limit = meter.alarms.high_flow_l_per_h.value();
    const double pulse_value_l = meter.pulse_value_l.value();
    if (!is_seen(entry) || entry.span.from != block_.to) {
        *this = {};
        block_ = {entry.span.to, entry.span.to};
        if (!is_seen(entry)) return false;
        block_ = {entry.span.from, entry.span.from};
    }
    // Still time before the first tick is no part of a burst.
    if (!run_from_ && ticks_ == 0 && entry.ticks > 0 && entry.span.from > block_.from) {
        ticks_before_ = 0;
        length_before_ = entry.span.from - block_.from;
        block_.from = entry.span.from;
    }
    block_.to = entry.span.to;
    ticks_ += entry.ticks;
    if (run_from_) run_ticks_ += entry.ticks;
    const double block_at_limit = hours_of(block_.length()) * limit / pulse_value_l;
    if (std::max(block_at_limit, static_cast<double>(ticks_)) >= ticks_a_block)
        judge_block(limit, pulse_value_l);
    const bool may_be_high =
        static_cast<double>(ticks_ + 1) * pulse_value_l >= limit * hours_of(block_.length());
    return run_from_ && may_be_high && block_.to - *run_from_ >= meter.alarms.high_flow_for;
}

void HighFlow::judge_block(double limit_l_per_h, double pulse_value_l) {
    const double length_h = hours_of(block_.length());
    const double most_l = static_cast<double>(ticks_ + 1) * pulse_value_l;
    if (most_l < limit_l_per_h * length_h) {
        run_from_.reset();
        run_ticks_ = 0;
    } else if (!run_from_) {
        const double flow_l_per_h =
            std::max(limit_l_per_h, static_cast<double>(ticks_) * pulse_value_l / length_h);
        const double before_h = static_cast<double>(ticks_before_ + 1) * pulse_value_l / flow_l_per_h;
        run_from_ = block_.from - std::min(length_before_, duration_of_h(before_h));
        run_ticks_ = ticks_ + ticks_before_;
    }
    if (most_l >= deadband * limit_l_per_h * length_h) {
        low_from_.reset();
    } else if (!low_from_) {
        low_from_ = block_.from;
    }
    ticks_before_ = ticks_;
    length_before_ = block_.length();
    ticks_ = 0;
    block_.from = block_.to;
}

bool HighFlow::is_over(const MeterSettings& meter) const {
    return low_from_ && block_.to - *low_from_ >= std::max(meter.alarms.high_flow_for, off_delay);
}

bool LongDraw::add(const Entry& entry, const MeterSettings& meter) {
    if (entry.kind == EntryKind::adjustment) return false;
    // long-draw may have been switched on at a coarser cadence.
    const Duration longest = std::max<Duration>(longest_span, meter.cadence * 2);
    if (!is_seen(entry) || (entry.ticks != 0 && entry.span.length() > longest)) {
        *this = {};
        last_to_ = entry.span.to;
        return false;
    }
    const double pulse_value_l = meter.pulse_value_l.value();
    // Fewer ticks than an open tap makes in this time: it was closed in between.
    const Duration since = entry.ticks == 0 ? entry.span.to - last_to_ : entry.span.length();
    is_shut_ = static_cast<double>(entry.ticks + 1) * pulse_value_l < open_l_per_h * hours_of(since);
    if (is_shut_) {
        first_to_.reset();
        ticks_ = 0;
    }
    if (entry.ticks == 0) return false;
    if (!first_to_) first_to_ = entry.span.to;
    last_to_ = entry.span.to;
    ticks_ += entry.ticks;
    return static_cast<double>(ticks_) * pulse_value_l >= meter.alarms.long_draw_volume_l.value() ||
           entry.span.from - *first_to_ >= meter.alarms.long_draw_time;
}

}  // namespace tickledger
