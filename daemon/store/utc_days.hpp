// UTC days, as whole days since 1970-01-01. Each block of the ledger holds such days.
#pragma once

#include <cstdint>

#include "tickledger/time.hpp"

namespace tickledger {

struct UtcDays {
    std::int64_t first = 0;
    std::int64_t count = 1;
};

/// The day that holds a moment, and the moment at which a day begins.
[[nodiscard]] std::int64_t day_of(Instant t);
[[nodiscard]] Instant start_of_day(std::int64_t day);
/// The quarter of a year that holds a moment.
[[nodiscard]] UtcDays quarter_of(Instant t);

}  // namespace tickledger
