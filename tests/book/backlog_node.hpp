// A node that was offline for a while, and what its account holds afterwards.
#pragma once

#include <algorithm>
#include <array>
#include <chrono>
#include <string>
#include <vector>

#include "ledger_world.hpp"

namespace tickledger::test {

struct Form {
    bool boot = true;
    bool seq = true;
};

/// A node with a cadence of three minutes that was offline for 42 minutes, in which 600 litres ran.
class Node {
public:
    Node(LedgerWorld& world, Form form) : world_(world), form_(form) {}

    void speak(Instant at) { world_.hear(at, payload(count_, seq_++)); }
    void run(std::uint64_t ticks) { count_ += ticks; }
    void queue() { queue_.push_back(payload(count_, seq_++)); }
    void send_queue(Instant at, std::size_t from = 0, std::size_t count = 1000) {
        for (std::size_t n = from; n < std::min(queue_.size(), from + count); ++n)
            send(at + std::chrono::milliseconds{100} * static_cast<int>(n - from), queue_[n]);
    }
    void send(Instant at, const std::string& text) { world_.arrive(at, text); }
    [[nodiscard]] const std::vector<std::string>& queued() const { return queue_; }
    void away() {
        speak(at_min(600));
        speak(at_min(603));
        for (int n = 0; n < 14; ++n) {
            run(n < 12 ? 43 : 42);
            queue();
        }
    }

private:
    [[nodiscard]] std::string payload(std::uint64_t count, std::uint64_t seq) const {
        std::string text = "{\"count\":" + std::to_string(count);
        if (form_.boot) text += ",\"boot\":7";
        if (form_.seq) text += ",\"seq\":" + std::to_string(seq);
        return text + "}";
    }

    LedgerWorld& world_;
    Form form_;
    std::uint64_t count_ = 5000;
    std::uint64_t seq_ = 70;
    std::vector<std::string> queue_;
};

inline constexpr std::int64_t ran = 12 * 43 + 2 * 42;  // 600

inline std::int64_t total(LedgerWorld& world) {
    std::int64_t sum = 0;
    for (const Entry& entry : world.entries()) {
        CHECK(entry.kind == EntryKind::measured);
        CHECK_FALSE(entry.unseen_max);
        sum += entry.ticks;
    }
    return sum;
}

inline bool none_refused(LedgerWorld& world) {
    return must(world.view()->refused(world.key("house"), {instant_of(0), at_min(10'000)})).empty();
}

inline const std::array forms{Form{true, true}, Form{true, false}, Form{false, true}, Form{false, false}};

}  // namespace tickledger::test
