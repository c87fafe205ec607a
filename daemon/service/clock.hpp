// The clock port. Only the service asks what time it is; everything inward is told.
#pragma once

#include "tickledger/time.hpp"

namespace tickledger {

class Clock {
public:
    virtual ~Clock() = default;
    /// The server's civil clock: may be wrong, may step.
    [[nodiscard]] virtual Instant wall() const = 0;
};

class SystemClock final : public Clock {
public:
    [[nodiscard]] Instant wall() const override {
        return std::chrono::time_point_cast<Duration>(std::chrono::system_clock::now());
    }
};

}  // namespace tickledger
