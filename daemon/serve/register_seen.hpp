// A meter with its register, as one moment of the ledger shows it.
#pragma once

#include <memory>
#include <optional>
#include <vector>

#include "serve/call.hpp"

namespace tickledger {

/// All that the calls about a register ask the ledger for, from one moment of it.
struct Seen {
    std::shared_ptr<LedgerView> view;
    FoundMeter meter;
    MeterSummary summary;
    PulseValues values;
    std::vector<RegisterReading> readings;
    std::optional<Instant> fine_detail_from;
};

/// The meter that the path names, in this view; or the problem.
[[nodiscard]] OrProblem<Seen> see(const Call& call, std::shared_ptr<LedgerView> view);

}  // namespace tickledger
