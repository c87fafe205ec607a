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
    /// A message that waited at the broker: it came in the drain after a reconnect, or is a redelivery.
    bool waited = false;
    /// How many more of its topic follow in the same drain: its place in the node's cadence, from the last.
    int behind = 0;
};

/// Groups events into what must be booked together. A drain begins where the link comes up with a session that
/// the broker had kept, and lasts until nothing arrives for a second, for half a minute at most. How long a
/// message of it waited is known only at its end, so the drain is handed on as a whole, or not at all:
/// a daemon that stops within it reads it again from its beginning.
class Feed {
public:
    static constexpr Duration drain_pause = std::chrono::seconds{1};
    static constexpr Duration drain_longest = std::chrono::seconds{30};
    static constexpr std::size_t drain_events_max = 200'000;

    /// Adds the next event of the log. `next`: the place after it.
    void add(Event event, LogPosition next);

    /// Tells that no event earlier than `now` can come any more: a drain may be over.
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
    /// Up to this moment the clock may run once what is ready is booked; nothing while a drain is open.
    [[nodiscard]] bool is_draining() const { return drain_begin_.has_value(); }

private:
    void end_drain();

    std::vector<Delivery> ready_;
    LogPosition ready_next_;
    std::vector<Delivery> drain_;
    LogPosition drain_next_;
    std::optional<Instant> drain_begin_;
    Instant drain_last_{};
};

}  // namespace tickledger
