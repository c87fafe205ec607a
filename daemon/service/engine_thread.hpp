// The booking thread: turns the engine whenever there is work. It alone owns the ledger.
#pragma once

#include <chrono>
#include <condition_variable>
#include <cstdint>
#include <functional>
#include <map>
#include <memory>
#include <mutex>
#include <optional>
#include <string>
#include <thread>

#include "book/bookkeeper.hpp"
#include "configuration/configuration.hpp"
#include "engine/engine.hpp"
#include "engine/intake.hpp"
#include "link/broker.hpp"
#include "service/odd_lines.hpp"

namespace tickledger {

struct BookingState {
    MessageCounts counts;
    /// Why booking stands still, in the store's words; empty: it does not.
    std::string trouble;
    /// Messages that wait for the server's clock to be set.
    std::size_t undated = 0;
    /// A topic that would have opened one meter too many; empty: there was none.
    std::string turned_away;
    /// The newest message that belongs to no meter.
    std::optional<UnmatchedMessage> unmatched;
};

class EngineThread {
public:
    struct Parts {
        Engine* engine = nullptr;
        Bookkeeper* bookkeeper = nullptr;
        Intake* intake = nullptr;
        std::string topic_root;
        /// How long the first message of a batch waits for others.
        Duration commit_every{};
        /// Called after each step of the engine and each sending, and each second while a batch waits, on the
        /// booking thread: the sign of life for the watchdog.
        std::function<void()> on_step;
        /// Booking stands still from now on, whatever the reason. On the booking thread.
        std::function<void()> on_standstill;
    };

    explicit EngineThread(Parts parts);
    /// Books what has been accepted, commits and stops.
    ~EngineThread();
    EngineThread(const EngineThread&) = delete;
    EngineThread& operator=(const EngineThread&) = delete;

    /// From then on the outbox is carried to this link; null: to none. Returns once the one before is let go.
    void use_link(BrokerLink* link);
    /// Meters and alarms are as told here from the next pass on, as after a new start. Returns once they are.
    /// Messages are booked under the settings that hold when they are booked.
    void use(std::shared_ptr<const Configuration> configuration);
    /// Wakes the thread after something was accepted. Any thread; cheap.
    void wake();
    /// Something happened on the link: there may be publications to send. Hurries no booking.
    void wake_for_sending();
    /// Returns once everything accepted before the call is booked, or cannot be booked now. Any thread.
    void catch_up();
    /// Calls `then` at that moment, on the booking thread, which it must not hold up.
    void when_caught_up(std::function<void()> then);

    [[nodiscard]] BookingState state() const;

private:
    enum class Work : std::uint8_t { book, send, none };

    void run();
    /// A pass under way may have read the log before this call; the one after it has not. The lock is held.
    [[nodiscard]] std::uint64_t want_pass();
    [[nodiscard]] Work wait_for_work();
    void take_up_settings();
    void turn();
    void send();
    [[nodiscard]] Publisher::Send sending();
    void report(const std::string& trouble);

    const Parts parts_;
    std::shared_ptr<const Configuration> settings_;  ///< Keeps alive what the bookkeeper refers to.

    mutable std::mutex mutex_;
    std::condition_variable wake_;
    std::condition_variable passed_;
    bool stop_ = false;
    bool has_news_ = false;
    std::chrono::steady_clock::time_point news_since_;  ///< The first of them was accepted.
    std::chrono::steady_clock::time_point booked_at_;   ///< When the last pass that books began.
    bool must_send_ = false;
    bool is_passing_ = false;
    std::shared_ptr<const Configuration> next_settings_;
    std::uint64_t passes_ = 0;
    std::uint64_t wanted_passes_ = 0;                              ///< So many are waited for.
    std::multimap<std::uint64_t, std::function<void()>> waiting_;  ///< By the passes that each needs.
    BookingState state_;

    OddLines odd_lines_;  ///< Of the booking thread.

    std::mutex link_mutex_;
    BrokerLink* link_ = nullptr;

    std::thread thread_;
};

}  // namespace tickledger
