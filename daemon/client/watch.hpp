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

/// Writes to standard output until the program is ended. Comes back only where the daemon can not be reached
/// in the beginning (the error), or refuses (its answer). A stream that ends later is begun anew.
[[nodiscard]] Result<Answer> watch(const WatchOrder& order);

}  // namespace tickledger
