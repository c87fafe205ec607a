// Lets callbacks through until it is closed, and knows when the last one is out.
#pragma once

#include <chrono>
#include <condition_variable>
#include <mutex>

namespace tickledger {

class Gate {
public:
    /// Runs `work` and returns its answer, or returns `otherwise` once the gate is closed.
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

    /// Nothing enters any more. Waits for those inside, at most until `deadline`.
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
