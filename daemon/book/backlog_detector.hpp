// Between the log and the bookkeeper: tells which messages had waited at the broker.
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
    /// A message that waited at the broker: it came in the backlog after a reconnect, or is a redelivery.
    bool waited = false;
    /// How many more of its topic follow in the same backlog: its place in the node's cadence, from the last.
    int behind = 0;
};

/// Groups events into what must be booked together.
///
/// What arrived while the server's clock was not set is held until the clock is set, and then dated by the
/// time since the machine's start; where the machine was started anew in between, by the next thing that can
/// be dated.
///
/// A backlog begins where the link comes up with a session that
/// the broker had kept, and lasts until nothing arrives for a second, for half a minute at most. How long a
/// message of it waited is known only at its end, so the backlog is handed on as a whole, or not at all:
/// a daemon that stops within it reads it again from its beginning.
class BacklogDetector {
public:
    static constexpr Duration backlog_pause = std::chrono::seconds{1};
    static constexpr Duration backlog_longest = std::chrono::seconds{30};
    static constexpr std::size_t backlog_events_max = 200'000;

    /// Adds the next event of the log. `next`: the place after it.
    void add(Event event, LogPosition next);

    /// Tells that no event earlier than `now` can come any more: a backlog may be over.
    void pause(Instant now);

    /// Tells that nothing will come: the end of a recording.
    void finish();

    /// Moves out what may be booked, with the place in the log after it; empty if nothing may.
    struct Ready {
        std::vector<Delivery> deliveries;
        LogPosition next;
    };
    [[nodiscard]] Ready take();
    [[nodiscard]] std::size_t ready_count() const { return ready_.size(); }
    /// Something is held back, so the clock must not run yet.
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
    LogPosition ready_next_;
    std::vector<Delivery> backlog_;
    LogPosition backlog_next_;
    std::optional<Instant> backlog_begin_;
    Instant backlog_last_{};
};

}  // namespace tickledger
