// Water of the time before a meter's first booked reading, as somebody told it from records of their own.
#pragma once

#include <cstdint>
#include <string>

#include "tickledger/time.hpp"

namespace tickledger {

/// What ran over one span. Those of a meter never overlap; between them there may be gaps.
struct HistoryEntry {
    Span span;
    std::int64_t ticks = 0;  ///< Whole, not negative.
    /// The name that it was told under; what has one name is undone together.
    std::string import;
    bool operator==(const HistoryEntry&) const = default;
};

}  // namespace tickledger
