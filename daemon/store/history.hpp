// Water that ran before a meter's first booked reading, as somebody told it from records of their own.
#pragma once

#include <cstdint>
#include <string>

#include "tickledger/time.hpp"

namespace tickledger {

/// The ticks of one span. The spans of a meter never overlap; there may be gaps between them.
struct HistoryEntry {
    Span span;
    std::int64_t ticks = 0;  ///< Whole, not negative.
    /// The name that it was told under. Everything with one name is undone together.
    std::string import;
    bool operator==(const HistoryEntry&) const = default;
};

}  // namespace tickledger
