// Forces the message log to the disk every `sync_every`, on its own thread, so that no other thread waits for
// the disk.
#pragma once

#include <condition_variable>
#include <mutex>
#include <thread>

#include "engine/log_sync.hpp"

namespace tickledger {

class Syncer {
public:
    /// `sync` must outlive it.
    explicit Syncer(LogSync& sync);
    /// Syncs once more.
    ~Syncer();
    Syncer(const Syncer&) = delete;
    Syncer& operator=(const Syncer&) = delete;

    /// Returns what LogSync::appended() returns. Any thread.
    [[nodiscard]] bool appended();

private:
    void run();

    LogSync& sync_;
    std::mutex mutex_;
    std::condition_variable wake_;
    bool has_news_ = false;
    bool stop_ = false;
    std::thread thread_;
};

}  // namespace tickledger
