// Shows what happens now, one line for each event: flow, draws, alarms, troubles.
#pragma once

#include <filesystem>
#include <string>

#include "client/local_http.hpp"

namespace tickledger {

struct WatchOrder {
    std::filesystem::path socket;
    std::string meter = {};  ///< Empty: all.
    bool json = false;       ///< Write each event unchanged, one document on a line.
};

/// Writes to standard output until the program is ended. Returns only if the daemon cannot be reached at
/// first (the error) or refuses (its answer). A stream that breaks later is opened again.
[[nodiscard]] Result<Answer> watch(const WatchOrder& order);

}  // namespace tickledger
