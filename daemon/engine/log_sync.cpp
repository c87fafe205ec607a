#include "engine/log_sync.hpp"

namespace tickledger {

bool LogSync::sync() {
    const auto synced = log_.sync();
    const bool failed_before = failed_.exchange(!synced);
    if (!synced && !failed_before)
        tell_(Level::error, synced.error().text + " A power cut now could take the newest messages.");
    return synced.has_value();
}

}  // namespace tickledger
