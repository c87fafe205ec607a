// A meter and its register at one moment of the ledger.
#pragma once

#include <memory>
#include <optional>
#include <vector>

#include "serve/call.hpp"

namespace tickledger {

/// Everything that the calls about a register read from the ledger, from one moment of it.
struct Seen {
    std::shared_ptr<LedgerView> view;
    FoundMeter meter;
    MeterSummary summary;
    PulseValues values;
    std::vector<RegisterReading> readings;
    std::optional<Instant> fine_detail_from;
};

/// Reads it for the meter that the path names, or returns the problem.
[[nodiscard]] OrProblem<Seen> see(const Call& call, std::shared_ptr<LedgerView> view);

}  // namespace tickledger
