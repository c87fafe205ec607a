// The booking thread. It runs the engine whenever there is work, and alone owns the ledger.
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
    /// Why booking has stopped, in the store's words; empty if it has not.
    std::string trouble;
    /// The number of messages that wait for the server's clock to be set.
    std::size_t undated = 0;
    /// A topic refused because it would have opened one meter too many; empty if there was none.
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
        /// Called on the booking thread after each step of the engine and each sending, and every second
        /// while a batch waits. It is the sign of life for the watchdog.
        std::function<void()> on_step;
        /// Called on the booking thread when booking stops, whatever the reason.
        std::function<void()> on_standstill;
    };

    explicit EngineThread(Parts parts);
    /// Books the accepted messages, commits and stops.
    ~EngineThread();
    EngineThread(const EngineThread&) = delete;
    EngineThread& operator=(const EngineThread&) = delete;

    /// Sends the outbox to this link from now on; null: to none. Returns once the previous link is no longer
    /// used.
    void use_link(BrokerLink* link);
    /// Uses these meters and alarms from the next pass on, as a restart would. Returns once they are in use.
    /// A message is booked under the settings in force when it is booked.
    void use(std::shared_ptr<const Configuration> configuration);
    /// Wakes the thread after a message or instruction was accepted. Any thread; cheap.
    void wake();
    /// Wakes the thread because there may be publications to send. Does not make it book sooner. Any thread.
    void wake_for_sending();
    /// Returns once everything accepted before the call is booked, or cannot be booked now. Any thread.
    void catch_up();
    /// Calls `then` when catch_up() would return. It runs on the booking thread and must not block it.
    void when_caught_up(std::function<void()> then);

    [[nodiscard]] BookingState state() const;

private:
    enum class Work : std::uint8_t { book, send, none };

    void run();
    /// Requests a pass and returns its number. A pass in progress may have read the log before this call, so
    /// only the one after it counts. The lock must be held.
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
    std::chrono::steady_clock::time_point news_since_;  ///< When the first unbooked one was accepted.
    std::chrono::steady_clock::time_point booked_at_;   ///< When the last booking pass began.
    bool must_send_ = false;
    bool is_passing_ = false;
    std::shared_ptr<const Configuration> next_settings_;
    std::uint64_t passes_ = 0;
    std::uint64_t wanted_passes_ = 0;                              ///< The highest that anyone waits for.
    std::multimap<std::uint64_t, std::function<void()>> waiting_;  ///< By the pass that each needs.
    BookingState state_;

    OddLines odd_lines_;  ///< Used on the booking thread only.

    std::mutex link_mutex_;
    BrokerLink* link_ = nullptr;

    std::thread thread_;
};

}  // namespace tickledger
