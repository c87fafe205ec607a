// `tickledgerd redate`: gives a store its true dates back after its arrivals were stamped ahead of the time.
#pragma once

#include <filesystem>
#include <optional>

#include "configuration/configuration.hpp"
#include "service/start_failure.hpp"
#include "tickledger/time.hpp"

namespace tickledger {

struct RedateRequest {
    /// The first stamp that was ahead; empty: found in the log.
    std::optional<Instant> since;
    /// False: only report what would be done.
    bool writes = false;
};

/// Rewrites the message log with true stamps, and replaces the ledger by the newest backup from before the
/// false ones. The next start books the messages after it. The old log and ledger are kept beside them. If
/// the call is killed at any moment, calling it again finishes the work. Root acts as the owner of the
/// store's directory. Prints to standard output what was found and done.
[[nodiscard]] tl::expected<void, StartFailure> redate(const Configuration& configuration,
                                                      const RedateRequest& request);

/// If a redating was cut short, a sentence that says so and what to do. No daemon may start on such a store.
[[nodiscard]] std::optional<std::string> redating_cut_short(const std::filesystem::path& directory);

}  // namespace tickledger
