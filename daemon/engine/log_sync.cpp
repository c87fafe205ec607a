#include "engine/log_sync.hpp"

namespace tickledger {

bool LogSync::sync() {
    const auto synced = log_.sync();
    // The sync may have recreated the file, and the next message may come hours later.
    if (const std::string notice = log_.take_notice(); !notice.empty()) tell_(Level::error, notice);
    const bool failed_before = failed_.exchange(!synced);
    if (!synced && !failed_before)
        tell_(Level::error, synced.error().text + " A power cut now could take the newest messages.");
    return synced.has_value();
}

}  // namespace tickledger
