// When the message log must be on the disk: at once, or by a sync that somebody makes at regular intervals.
#pragma once

#include <atomic>

#include "engine/tell.hpp"
#include "store/message_log.hpp"

namespace tickledger {

/// Thread-safe.
class LogSync {
public:
    /// `every` 0: each append is synced, so that a power cut takes no accepted message.
    LogSync(MessageLog& log, Duration every, Tell tell) : log_(log), every_(every), tell_(std::move(tell)) {}

    /// Call it after an append. False: the append had to be on the disk by now and is not.
    [[nodiscard]] bool appended() { return every_ > Duration{0} || sync(); }
    /// How long an append may wait for a sync(). 0: appended() has made it.
    [[nodiscard]] Duration every() const { return every_; }
    /// Forces what was appended to the disk. Of several failures in a row the first is reported.
    bool sync();

private:
    MessageLog& log_;
    const Duration every_;
    const Tell tell_;
    std::atomic<bool> failed_{false};
};

}  // namespace tickledger
