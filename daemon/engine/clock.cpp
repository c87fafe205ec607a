#include "engine/clock.hpp"

#include <sys/timex.h>
#include <time.h>
#include <unistd.h>

#include <algorithm>

namespace tickledger {

namespace {

constexpr Duration tolerance = std::chrono::minutes{2};
// The release of the first version of this program. A clock that shows an earlier time is wrong.
constexpr Instant earliest = std::chrono::sys_days{std::chrono::year{2025} / 1 / 1};
// A server with thousands of nodes does not need all of them to find the time.
constexpr std::size_t nodes_remembered = 64;
// A node's time is considered only up to this long after the earliest possible time.
constexpr Duration node_clock_reach = std::chrono::hours{24 * 365 * 10};

}  // namespace

Instant SystemClock::wall() const {
    return std::chrono::time_point_cast<Duration>(std::chrono::system_clock::now());
}

Duration SystemClock::since_boot() const {
    timespec now{};
    clock_gettime(CLOCK_BOOTTIME, &now);
    return std::chrono::seconds{now.tv_sec} +
           std::chrono::duration_cast<Duration>(std::chrono::nanoseconds{now.tv_nsec});
}

bool SystemClock::is_synchronised() const {
    timex query{};
    const int state = adjtimex(&query);
    // The unit's sandbox forbids this call, although it only reads. Debian's time service creates this file
    // once it has the time.
    if (state < 0) return ::access("/run/systemd/timesync/synchronized", F_OK) == 0;
    return state != TIME_ERROR && (query.status & STA_UNSYNC) == 0;
}

bool TrustedClock::is_likely_at_start(Instant wall) const {
    return wall >= floor_.at - tolerance && wall <= floor_.at + floor_.reach;
}

std::optional<Instant> TrustedClock::look() {
    const Instant wall = clock_.wall();
    const Duration since_boot = clock_.since_boot();
    ahead_ = Duration{0};
    if (!known_ || is_lent_) {
        if (is_likely_at_start(wall) || clock_.is_synchronised()) {
            known_ = {wall, since_boot};
            is_lent_ = false;
            return wall;
        }
        if (!known_) return std::nullopt;
    }
    const Instant expected = known_->at + (since_boot - known_->since_boot);
    if (is_lent_) return expected;
    const Duration jump = wall - expected;
    // People set a clock back because it was ahead. But a clock that shows a time before this program was
    // made is wrong.
    const bool is_set_back = jump < Duration{0} && wall >= earliest;
    if ((jump >= -tolerance && jump <= tolerance) || is_set_back || clock_.is_synchronised()) {
        known_ = {wall, since_boot};
        return wall;
    }
    ahead_ = std::max(jump, Duration{0});
    return expected;
}

std::optional<Instant> TrustedClock::now() {
    const std::lock_guard lock(mutex_);
    return look();
}

Duration TrustedClock::disbelieved_ahead() {
    const std::lock_guard lock(mutex_);
    (void)look();
    return ahead_;
}

std::optional<Instant> TrustedClock::vouch() {
    const std::lock_guard lock(mutex_);
    const Instant wall = clock_.wall();
    if (wall < earliest) return std::nullopt;
    known_ = {wall, clock_.since_boot()};
    is_lent_ = false;
    return wall;
}

void TrustedClock::hear(std::string_view who, Instant node_time) {
    const std::lock_guard lock(mutex_);
    if (known_ || node_time < floor_.at - tolerance || node_time > floor_.at + node_clock_reach) return;
    const Duration since_boot = clock_.since_boot();
    const Instant start = node_time - since_boot;
    const bool is_second = std::any_of(said_.begin(), said_.end(), [&](const auto& said) {
        return said.first != who && start - said.second <= tolerance && said.second - start <= tolerance;
    });
    if (is_second) {
        known_ = {node_time, since_boot};
        is_lent_ = true;
        return;
    }
    if (said_.size() < nodes_remembered || said_.contains(who))
        said_.insert_or_assign(std::string(who), start);
}

Instant StampClock::stamp(Instant now, Duration since_boot) {
    const std::lock_guard lock(mutex_);
    const Duration passed = std::max(since_boot - since_boot_, Duration{0});
    since_boot_ += passed;
    last_ = last_ ? std::max(now, *last_ + passed - passed / 16) : now;
    return *last_;
}

}  // namespace tickledger
