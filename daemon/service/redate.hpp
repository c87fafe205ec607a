// `tickledgerd redate`: gives a store whose arrivals were stamped ahead of the time its true dates back.
#pragma once

#include <filesystem>
#include <optional>

#include "configuration/configuration.hpp"
#include "service/start_failure.hpp"
#include "tickledger/time.hpp"

namespace tickledger {

struct RedateRequest {
    /// The first stamp that was ahead; nothing: the log tells it.
    std::optional<Instant> since;
    /// False: only tell what would be done.
    bool writes = false;
};

/// Writes the message log anew with true stamps, and puts the newest backup from before them in the ledger's
/// place; the next start books what came after it. What was there is kept beside it. Killed at any moment,
/// the same call finishes it. Root acts as the owner of the store's directory. Prints to standard output what
/// was found and done.
[[nodiscard]] tl::expected<void, StartFailure> redate(const Configuration& configuration,
                                                      const RedateRequest& request);

/// Whether a redating was cut short, in a sentence that says what to do: no daemon may start on such a store.
[[nodiscard]] std::optional<std::string> redating_cut_short(const std::filesystem::path& directory);

}  // namespace tickledger
