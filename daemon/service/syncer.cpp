#include "service/syncer.hpp"

#include "service/journal.hpp"

namespace tickledger {

Syncer::Syncer(MessageLog& log, Duration every) : log_(log), every_(every) {
    if (every_ > Duration{0}) thread_ = std::thread([this] { run(); });
}

Syncer::~Syncer() {
    {
        const std::lock_guard lock(mutex_);
        stop_ = true;
    }
    wake_.notify_all();
    if (thread_.joinable()) thread_.join();
    sync();
}

bool Syncer::appended() {
    if (every_ == Duration{0}) return sync();
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
        // What comes within `every_` of the first shares one sync with it.
        wake_.wait_for(lock, every_, [&] { return stop_; });
        has_news_ = false;
        lock.unlock();
        sync();
        lock.lock();
    }
}

bool Syncer::sync() {
    const auto synced = log_.sync();
    const bool failed_before = failed_.exchange(!synced);
    if (!synced && !failed_before) {
        journal(Level::error, synced.error().text + " A power cut now could take the newest messages.");
    }
    return synced.has_value();
}

}  // namespace tickledger
