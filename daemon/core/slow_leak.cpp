#include "tickledger/slow_leak.hpp"

#include <algorithm>
#include <cmath>

#include "tickledger/hours.hpp"

namespace tickledger {

namespace {

using Rung = SlowLeak::Rung;

/// The sum of a leak that a longer stillness has ruled out, until the next night.
constexpr double refuted = -1000;
/// Further digits mean nothing, and without them the saved text stays short.
constexpr double digits_kept = 1e6;

const double alone_h = hours_of(SlowLeak::alone);

double period_h(std::size_t rung) {
    return hours_of(SlowLeak::shortest_period) * std::pow(SlowLeak::ladder_step, static_cast<double>(rung));
}

double threshold() {
    return std::log(SlowLeak::nights_between_false_alarms * static_cast<double>(SlowLeak::rung_count));
}

/// When the next tick of a leak comes, given that none came within `alone` of the last event. If that event
/// was the leak's own tick, it comes between the shortest and the longest period. Otherwise it comes at any
/// time up to the longest.
struct Wait {
    double shortest_h;
    double longest_h;
    double known;

    Wait(std::size_t rung, double phase_known)
        : shortest_h(std::max(alone_h, period_h(rung) / SlowLeak::wander)),
          longest_h(period_h(rung) * SlowLeak::wander),
          known(phase_known) {}

    /// The share of such waits that last longer.
    [[nodiscard]] double longer_than(double elapsed_h) const {
        if (elapsed_h >= longest_h) return 0;
        const auto share = [&](double from_h) {
            return std::min(1.0, (longest_h - elapsed_h) / (longest_h - from_h));
        };
        return known * share(shortest_h) + (1 - known) * share(alone_h);
    }
    /// Of the waits that have lasted this long, the share that ends here, per hour.
    [[nodiscard]] double ending_per_h(double elapsed_h) const {
        const double left = longer_than(elapsed_h);
        if (left <= 0 || elapsed_h < alone_h) return 0;
        const double own = elapsed_h >= shortest_h ? known / (longest_h - shortest_h) : 0;
        return (own + (1 - known) / (longest_h - alone_h)) / left;
    }
};

double as_kept(double value) {
    return std::max(refuted, std::round(value * digits_kept) / digits_kept);
}

}  // namespace

bool SlowLeak::add(const Entry& entry) {
    if (entry.kind == EntryKind::adjustment) return false;
    const bool is_seen =
        entry.kind == EntryKind::measured && !entry.time_estimated && entry.span.from == seen_to_;
    if (!is_seen) {
        // Missing data is evidence neither for nor against a leak.
        see_nothing_until(entry.span.to);
        return false;
    }
    if (entry.ticks == 0) {
        seen_to_ = entry.span.to;
        if (!lone_ || seen_to_ - still_from_ < alone) return false;
        settle_lone_tick();
        return true;
    }
    const bool may_be_alone =
        entry.ticks == 1 && !lone_ && entry.span.length() <= alone && entry.span.from - still_from_ >= alone;
    if (may_be_alone) {
        lone_ = entry.span.from + entry.span.length() / 2;
        still_from_ = seen_to_ = entry.span.to;
    } else {
        see_use(entry.span);
    }
    return false;
}

void SlowLeak::see_nothing_until(Instant t) {
    weigh_stillness(lone_.value_or(seen_to_));
    see_use({t, t});
}

void SlowLeak::see_use(Span use) {
    // A lone tick that others follow soon was the beginning of a use.
    weigh_stillness(lone_.value_or(use.from));
    lone_.reset();
    from_ = still_from_ = seen_to_ = use.to;
    for (Rung& rung : rungs_)
        rung.phase_known = 0;
}

void SlowLeak::weigh_stillness(Instant until) {
    const double elapsed_h = hours_of(until - from_);
    if (elapsed_h <= alone_h) return;
    // A stretch longer than the leak allows is evidence against it at any time. A shorter one counts only as
    // far as it is in the night, when people's own ticks are few.
    const Span asleep = overlap({from_ + alone, until}, night_);
    if (asleep.length() > Duration{0}) still_h_ = as_kept(still_h_ + hours_of(asleep.length()));
    for (std::size_t i = 0; i < rungs_.size(); ++i) {
        Rung& rung = rungs_.at(i);
        const Wait wait(i, rung.phase_known);
        if (wait.longer_than(elapsed_h) <= 0) {
            rung.sum = refuted;
        } else if (rung.sum > refuted && asleep.length() > Duration{0}) {
            rung.sum = as_kept(rung.sum + std::log(wait.longer_than(hours_of(asleep.to - from_)) /
                                                   wait.longer_than(hours_of(asleep.from - from_))));
        }
    }
}

void SlowLeak::settle_lone_tick() {
    const Instant at = *lone_;
    const double elapsed_h = hours_of(at - from_);
    const bool asleep = at > night_.from && at <= night_.to;
    weigh_stillness(at);
    const double by_people_per_h = people_per_h();
    for (std::size_t i = 0; i < rungs_.size(); ++i) {
        Rung& rung = rungs_.at(i);
        const double leak_per_h = Wait(i, rung.phase_known).ending_per_h(elapsed_h);
        rung.phase_known = as_kept(leak_per_h / (leak_per_h + by_people_per_h));
        ++rung.lone_ticks;
        if (asleep && rung.sum > refuted)
            rung.sum = as_kept(rung.sum + std::log(1 + leak_per_h / by_people_per_h));
    }
    if (asleep) ++lone_count_;
    from_ = at;
    lone_.reset();
}

double SlowLeak::people_per_h() const {
    return (lone_assumed + lone_count_) / (lone_assumed_h + still_h_);
}

void SlowLeak::begin_night(Span night) {
    weigh_stillness(lone_.value_or(seen_to_));
    night_ = night;
    lone_count_ = as_kept(lone_count_ * fading);
    still_h_ = as_kept(still_h_ * fading);
    for (Rung& rung : rungs_) {
        if (rung.sum > 0) continue;
        rung.sum = 0;
        rung.since = night.from;
        rung.lone_ticks = 0;
    }
}

void SlowLeak::forget(Instant at) {
    for (Rung& rung : rungs_)
        rung = {refuted, 0, at, 0};
}

std::optional<SlowLeak::Finding> SlowLeak::finding() const {
    const auto likeliest = std::max_element(rungs_.begin(), rungs_.end(),
                                            [](const Rung& a, const Rung& b) { return a.sum < b.sum; });
    // A single night may be unusual.
    const bool is_older_than_a_night = likeliest->since < night_.from;
    if (likeliest->sum < threshold() || !is_older_than_a_night) return std::nullopt;
    const auto rung = static_cast<std::size_t>(likeliest - rungs_.begin());
    const auto period = std::chrono::duration<double, std::ratio<3600>>(period_h(rung));
    return Finding{std::chrono::round<std::chrono::seconds>(period), likeliest->since, likeliest->lone_ticks,
                   likeliest->sum};
}

bool SlowLeak::refutes(Duration period) const {
    return hours_of(seen_to_ - still_from_) > hours_of(period) * wander;
}

}  // namespace tickledger
