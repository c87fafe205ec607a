// Forces the message log to the disk every so often, on a thread of its own: nobody waits for the disk but
// who asked for it.
#pragma once

#include <atomic>
#include <condition_variable>
#include <mutex>
#include <thread>

#include "store/message_log.hpp"

namespace tickledger {

class Syncer {
public:
    /// `every` 0: appended() itself syncs, so that no power cut can take an accepted message.
    Syncer(MessageLog& log, Duration every);
    /// Syncs once more.
    ~Syncer();
    Syncer(const Syncer&) = delete;
    Syncer& operator=(const Syncer&) = delete;

    /// Something was appended. Any thread. False: it had to be on the disk by now and is not.
    [[nodiscard]] bool appended();

private:
    void run();
    bool sync();

    MessageLog& log_;
    const Duration every_;
    std::mutex mutex_;
    std::condition_variable wake_;
    bool has_news_ = false;
    bool stop_ = false;
    std::atomic<bool> failed_{false};
    std::thread thread_;
};

}  // namespace tickledger
