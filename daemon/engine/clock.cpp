#include "engine/clock.hpp"

#include <sys/timex.h>
#include <time.h>

namespace tickledger {

namespace {

constexpr Duration tolerance = std::chrono::minutes{2};
// A node's word is taken for the time only within this of what is known.
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
    return state >= 0 && state != TIME_ERROR && (query.status & STA_UNSYNC) == 0;
}

std::optional<Instant> TrustedClock::now() {
    const std::lock_guard lock(mutex_);
    const Instant wall = clock_.wall();
    if (!is_set_) is_set_ = wall >= floor_ - tolerance || clock_.is_synchronised();
    if (is_set_) return wall;
    if (start_) return *start_ + clock_.since_boot();
    return std::nullopt;
}

void TrustedClock::hear(Instant node_time) {
    const std::lock_guard lock(mutex_);
    if (is_set_ || start_ || node_time < floor_ - tolerance || node_time > floor_ + node_clock_reach) return;
    start_ = node_time - clock_.since_boot();
}

}  // namespace tickledger
