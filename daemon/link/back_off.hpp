// How long to wait between attempts to reach the broker.
#pragma once

#include <algorithm>
#include <random>

#include "tickledger/time.hpp"

namespace tickledger {

/// Waits that double from one second to a minute. Each is varied by up to a fifth either way, so that many
/// daemons do not all return to a restarted broker at the same moment. The client library's own reconnecting
/// doubles its waits without varying them, which is one reason not to use it.
class BackOff {
public:
    [[nodiscard]] Duration next() {
        const Duration mean = mean_;
        mean_ = std::min(mean_ * 2, longest);
        std::uniform_real_distribution<double> spread(0.8, 1.2);
        return Duration{static_cast<Duration::rep>(static_cast<double>(mean.count()) * spread(random_))};
    }
    void reset() { mean_ = shortest; }

    static constexpr Duration shortest = std::chrono::seconds{1};
    static constexpr Duration longest = std::chrono::seconds{60};

private:
    Duration mean_ = shortest;
    std::minstd_rand random_{std::random_device{}()};
};

}  // namespace tickledger
