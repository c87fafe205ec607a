// Lets callbacks through until it is closed, and can wait until the last one has returned.
#pragma once

#include <chrono>
#include <condition_variable>
#include <mutex>

namespace tickledger {

class Gate {
public:
    /// Runs `work` and returns its result, or returns `otherwise` if the gate is closed.
    template <typename Answer, typename Work>
    Answer through(Answer otherwise, Work&& work) {
        {
            const std::lock_guard lock(mutex_);
            if (closed_) return otherwise;
            ++inside_;
        }
        const Answer answer = work();
        const std::lock_guard lock(mutex_);
        --inside_;
        left_.notify_all();
        return answer;
    }

    /// Lets nothing in any more, and waits until `deadline` at most for the callbacks inside.
    void close(std::chrono::steady_clock::time_point deadline) {
        std::unique_lock lock(mutex_);
        closed_ = true;
        left_.wait_until(lock, deadline, [this] { return inside_ == 0; });
    }

private:
    std::mutex mutex_;
    std::condition_variable left_;
    int inside_ = 0;
    bool closed_ = false;
};

}  // namespace tickledger
