#include "service/syncer.hpp"

namespace tickledger {

Syncer::Syncer(LogSync& sync) : sync_(sync) {
    if (sync_.every() > Duration{0}) thread_ = std::thread([this] { run(); });
}

Syncer::~Syncer() {
    {
        const std::lock_guard lock(mutex_);
        stop_ = true;
    }
    wake_.notify_all();
    if (thread_.joinable()) thread_.join();
    sync_.sync();
}

bool Syncer::appended() {
    if (!sync_.appended()) return false;
    {
        const std::lock_guard lock(mutex_);
        if (has_news_) return true;
        has_news_ = true;
    }
    wake_.notify_one();
    return true;
}

void Syncer::run() {
    std::unique_lock lock(mutex_);
    while (!stop_) {
        wake_.wait(lock, [&] { return stop_ || has_news_; });
        // Messages that arrive within `every` of the first share its sync.
        wake_.wait_for(lock, sync_.every(), [&] { return stop_; });
        has_news_ = false;
        lock.unlock();
        const bool is_synced = sync_.sync();
        lock.lock();
        // The next message may come hours later, or never.
        if (!is_synced) has_news_ = true;
    }
}

}  // namespace tickledger
