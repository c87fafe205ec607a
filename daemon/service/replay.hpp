// Books recorded messages without a broker, by the recording's own clock.
#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "configuration/configuration.hpp"
#include "service/start_failure.hpp"
#include "tickledger/time.hpp"

namespace tickledger {

struct ReplayRequest {
    /// The ledger file; empty: <store.directory>/ledger.db.
    std::filesystem::path into;
    /// Recordings in order. A directory stands for its *.jsonl files in order of name, "-" for standard
    /// input.
    std::vector<std::string> recordings;
    /// Where the clock stops; empty: at the last event.
    std::optional<Instant> until;
    /// Show progress on standard error.
    bool shows_progress = false;
};

/// Replays, and prints to standard output what was booked and what was refused.
[[nodiscard]] tl::expected<void, StartFailure> replay(const Configuration& configuration,
                                                      const ReplayRequest& request);

}  // namespace tickledger
