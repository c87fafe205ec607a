// Node boards that speak fast, to a broker that may go away, and what they have told.
#pragma once

#include <atomic>
#include <chrono>
#include <cstdint>
#include <deque>
#include <mutex>
#include <random>
#include <string>
#include <thread>
#include <vector>

namespace tickledger::test {

/// One board. Counter boards wrap at 2^16, and boards restart now and then from the count they had.
struct LoadNode {
    std::string topic = {};
    bool is_counter = true;
    bool tells_time = true;
    std::uint64_t boot = 1;
    std::uint64_t seq = 0;
    std::uint64_t count = 0;
    std::uint64_t saved = 0;
    bool has_spoken = false;
    /// A board restarts once in so many messages.
    std::uint64_t messages_a_boot = 400;
    /// Between two readings; 0: it speaks in its turn. Boards with a pause lose their network now and then,
    /// keep what they read, and send it at once when it is back.
    std::chrono::milliseconds pause{0};
    /// What all its messages say: the pulses of all, or the counts since the first message.
    std::int64_t told_ticks = 0;
};

inline constexpr std::uint64_t load_counter_modulus = 65'536;

/// Configuration of counters and pulses of boards whose topics and names begin so.
[[nodiscard]] std::string load_meters(const std::string& prefix, const char* q3);

/// Speaks from a thread of its own, at most `messages_a_second`, all nodes in turn (those with a pause when
/// it is over), with QoS 1. A message that the broker has not acknowledged is sent again when it is back, and
/// those that came after it too, in their order.
class Load {
public:
    Load(std::string broker_url, std::vector<LoadNode> nodes, int messages_a_second, std::uint64_t seed);
    ~Load();
    Load(const Load&) = delete;
    Load& operator=(const Load&) = delete;

    /// Messages the broker has acknowledged, each counted once.
    [[nodiscard]] std::uint64_t delivered() const { return delivered_; }
    /// How often a board sent what it had kept.
    [[nodiscard]] std::uint64_t backlogs() const { return backlogs_; }
    /// Ends it with the last message delivered; what was told by then. Throws where the broker stays away.
    [[nodiscard]] std::vector<LoadNode> finish();

private:
    struct Outgoing {
        std::string topic;
        std::string payload;
    };

    /// What a board with a pause has read and not sent.
    struct Kept {
        std::size_t node = 0;
        std::deque<Outgoing> queue = {};
        std::chrono::steady_clock::time_point next_reading = {};
        std::chrono::steady_clock::time_point away_until = {};
    };

    void run();
    [[nodiscard]] std::vector<Outgoing> next_window();
    /// Reads what is due, and takes what may be sent, up to `room` messages.
    void take_kept(Kept& kept, std::size_t room, std::vector<Outgoing>& window);
    [[nodiscard]] Outgoing next(LoadNode& node);

    const std::string broker_url_;
    std::vector<LoadNode> nodes_;
    std::vector<std::size_t> fast_;
    std::size_t turn_ = 0;
    std::vector<Kept> kept_;
    std::atomic<std::uint64_t> backlogs_{0};
    const int messages_a_second_;
    std::mt19937_64 chance_;
    std::atomic<std::uint64_t> delivered_{0};
    std::atomic<bool> stop_{false};
    std::atomic<bool> gave_up_{false};
    std::thread thread_;
};

}  // namespace tickledger::test
