// When the message log must be on the disk: at once, or with a sync that somebody makes every so often.
#pragma once

#include <atomic>

#include "engine/tell.hpp"
#include "store/message_log.hpp"

namespace tickledger {

/// Thread-safe.
class LogSync {
public:
    /// `every` 0: no power cut may take an accepted message.
    LogSync(MessageLog& log, Duration every, Tell tell) : log_(log), every_(every), tell_(std::move(tell)) {}

    /// Something was appended. False: it had to be on the disk by now and is not.
    [[nodiscard]] bool appended() { return every_ > Duration{0} || sync(); }
    /// How long what was appended may wait for a sync(); 0: appended() has made it.
    [[nodiscard]] Duration every() const { return every_; }
    /// Forces what was appended to the disk. The first of several failures is told.
    bool sync();

private:
    MessageLog& log_;
    const Duration every_;
    const Tell tell_;
    std::atomic<bool> failed_{false};
};

}  // namespace tickledger
