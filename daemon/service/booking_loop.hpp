// The booking thread: the message log in, the ledger and the outbox out. It alone owns the ledger.
#pragma once

#include <atomic>
#include <chrono>
#include <condition_variable>
#include <cstdint>
#include <functional>
#include <memory>
#include <mutex>
#include <optional>
#include <string>
#include <thread>

#include "book/booker.hpp"
#include "configuration/configuration.hpp"
#include "service/intake.hpp"
#include "service/opened_store.hpp"
#include "service/publisher.hpp"

namespace tickledger {

struct BookingState {
    MessageCounts counts;
    /// Why booking stands still, in the store's words; empty: it does not.
    std::string trouble;
    /// Messages that wait for the server's clock to be set.
    std::size_t undated = 0;
    /// A topic that would have opened one meter too many; empty: there was none.
    std::string turned_away;
};

class BookingLoop {
public:
    struct Parts {
        const Configuration* configuration = nullptr;
        Files* files = nullptr;
        OpenedStore* store = nullptr;
        Publisher* publisher = nullptr;
        Intake* intake = nullptr;
        /// Called after each pass, on the booking thread: the sign of life for the watchdog.
        std::function<void()> on_pass;
        /// Booking stands still from now on, whatever the reason. On the booking thread.
        std::function<void()> on_standstill;
    };

    explicit BookingLoop(Parts parts);
    /// Books what has been accepted, commits and stops.
    ~BookingLoop();
    BookingLoop(const BookingLoop&) = delete;
    BookingLoop& operator=(const BookingLoop&) = delete;

    /// From then on the outbox is carried to this link; null: to none. Returns once the one before is let go.
    void use_link(BrokerLink* link);
    /// Meters and alarms are as told here from the next pass on, as after a new start. Returns once they are.
    /// Messages are booked under the settings that hold when they are booked.
    void use(std::shared_ptr<const Configuration> configuration);
    /// Something was accepted. Any thread; cheap.
    void wake();
    /// Something happened on the link: there may be publications to send.
    void wake_for_sending();
    /// Returns once everything accepted before the call is booked, or can not be booked now. Any thread.
    void settle();

    [[nodiscard]] BookingState state() const;

private:
    void run();
    void wait_for_work();
    void take_up_settings();
    void book();
    void send();
    void keep_house(Instant now);
    void pack_a_day(Instant now);
    void report(const std::string& trouble);

    Parts parts_;
    Booker booker_;
    std::optional<Instant> house_kept_at_;
    bool has_days_to_pack_ = false;
    std::chrono::steady_clock::time_point packed_at_;
    std::shared_ptr<const Configuration> settings_;  ///< Keeps alive what the bookkeeper refers to.

    mutable std::mutex mutex_;
    std::condition_variable wake_;
    std::condition_variable settled_;
    bool stop_ = false;
    bool has_news_ = false;
    bool must_send_ = false;
    int settlers_ = 0;
    std::shared_ptr<const Configuration> next_settings_;
    std::uint64_t passes_ = 0;
    BookingState state_;

    std::mutex link_mutex_;
    BrokerLink* link_ = nullptr;

    std::thread thread_;
};

}  // namespace tickledger
