// A length of time as hours, for flows and other rates.
#pragma once

#include "tickledger/time.hpp"

namespace tickledger {

[[nodiscard]] inline double hours_of(Duration duration) {
    return std::chrono::duration<double, std::ratio<3600>>(duration).count();
}

}  // namespace tickledger
