// Stands between the message log and the bookkeeper. Finds out which messages had waited at the broker.
#pragma once

#include <cstddef>
#include <optional>
#include <vector>

#include "store/message_log.hpp"
#include "store/recording.hpp"

namespace tickledger {

/// One event to book.
struct Delivery {
    Event event;
    /// The message had waited at the broker. It came in the backlog after a reconnect, or it is a redelivery
    /// or a retained message.
    bool waited = false;
    /// How many more messages of its topic follow in the same backlog. This is its place in the node's
    /// cadence, counted back from the last one.
    int behind = 0;
};

/// Groups events that must be booked together.
///
/// Messages that arrived while the server's clock was not set are held until it is set. They are dated by the
/// time since the machine's start. If the machine was restarted in between, they are dated by the next event
/// that has a date.
///
/// A backlog begins when the link comes up with a session that the broker had kept. It ends when nothing has
/// arrived for a second, or after half a minute. Only its end shows how long a message in it had waited, so a
/// backlog is handed on as a whole or not at all. A daemon that stops within a backlog reads it again from
/// its beginning.
class BacklogDetector {
public:
    static constexpr Duration backlog_pause = std::chrono::seconds{1};
    static constexpr Duration backlog_longest = std::chrono::seconds{30};
    static constexpr std::size_t backlog_events_max = 200'000;

    /// Adds the next event of the log. `next`: the place after it.
    void add(Event event, LogPosition next);

    /// Says that no event earlier than `now` can come any more. This may end a backlog.
    void pause(Instant now);

    /// Says that nothing more will come: the recording has ended.
    void finish();

    /// The events that may be booked, and the place in the log after them. take() moves them out; empty if
    /// there are none.
    struct Ready {
        std::vector<Delivery> deliveries;
        LogPosition next;
    };
    [[nodiscard]] Ready take();
    [[nodiscard]] std::size_t ready_count() const { return ready_.size(); }
    /// Something is held back, so the ledger's clock must not run yet.
    [[nodiscard]] bool holds_back() const { return backlog_begin_.has_value() || !undated_.empty(); }
    /// Messages that wait for the server's clock to be set.
    [[nodiscard]] std::size_t undated_count() const { return undated_.size(); }

private:
    void add_dated(Event event, LogPosition next);
    void date(const ClockSet& set);
    void end_backlog();

    struct Undated {
        Event event;
        LogPosition next;
    };
    std::vector<Undated> undated_;

    std::vector<Delivery> ready_;
    std::size_t taken_count_ = 0;  ///< How many the last take() moved out.
    LogPosition ready_next_;
    std::vector<Delivery> backlog_;
    LogPosition backlog_next_;
    std::optional<Instant> backlog_begin_;
    Instant backlog_last_{};
};

}  // namespace tickledger
