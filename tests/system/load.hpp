// Node boards that send fast to a broker that may go away, and the ticks they have sent.
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
    /// A board restarts once in this many messages.
    std::uint64_t messages_a_boot = 400;
    /// The time between two readings; 0: the board sends in its turn. Boards with a pause lose their network
    /// now and then, keep their readings, and send them all at once when it is back.
    std::chrono::milliseconds pause{0};
    /// The ticks in all its messages: the sum of the pulses, or the count since the first message.
    std::int64_t told_ticks = 0;
};

inline constexpr std::uint64_t load_counter_modulus = 65'536;

/// The configuration of counter and pulse boards whose topics and ids have this prefix.
[[nodiscard]] std::string load_meters(const std::string& prefix, const char* q3);

/// Sends with QoS 1 from its own thread, at most `messages_a_second`. The nodes take turns, and those with a
/// pause send when it is over. A message that the broker has not acknowledged is sent again when the broker
/// is back, with all later ones, in their order.
class Load {
public:
    Load(std::string broker_url, std::vector<LoadNode> nodes, int messages_a_second, std::uint64_t seed);
    ~Load();
    Load(const Load&) = delete;
    Load& operator=(const Load&) = delete;

    /// Messages the broker has acknowledged, each counted once.
    [[nodiscard]] std::uint64_t delivered() const { return delivered_; }
    /// How often a board sent the readings it had kept.
    [[nodiscard]] std::uint64_t backlogs() const { return backlogs_; }
    /// Ends after the last message is delivered and returns the nodes. Throws if the broker stays away.
    [[nodiscard]] std::vector<LoadNode> finish();

private:
    struct Outgoing {
        std::string topic;
        std::string payload;
    };

    /// The readings that a board with a pause has not sent yet.
    struct Kept {
        std::size_t node = 0;
        std::deque<Outgoing> queue = {};
        std::chrono::steady_clock::time_point next_reading = {};
        std::chrono::steady_clock::time_point away_until = {};
    };

    void run();
    [[nodiscard]] std::vector<Outgoing> next_window();
    /// Takes the readings that are due, and moves up to `room` sendable messages into the window.
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
