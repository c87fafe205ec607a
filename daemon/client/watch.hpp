// What happens now, a line at a time: flow, draws, alarms, troubles.
#pragma once

#include <filesystem>
#include <string>

#include "client/local_http.hpp"

namespace tickledger {

struct WatchOrder {
    std::filesystem::path socket;
    std::string meter = {};  ///< Empty: all.
    bool json = false;       ///< Each event as it comes, a document a line.
};

/// Writes to standard output until the program is ended. Returns only where the daemon cannot be reached at
/// first (the error) or refuses (its answer). A stream that breaks later is opened anew.
[[nodiscard]] Result<Answer> watch(const WatchOrder& order);

}  // namespace tickledger
