// A model of an MQTT broker with one persistent session: the daemon's.
#pragma once

#include <cstddef>
#include <cstdint>
#include <deque>
#include <map>
#include <optional>
#include <vector>

#include "simulation/chance.hpp"

namespace tickledger::simulation {

/// A message on its way to the daemon. `letter` is the number that the sender gave it.
struct Letter {
    std::uint32_t letter = 0;
    std::uint32_t topic = 0;
    bool redelivered = false;
    bool retained = false;
};

/// Queues messages of QoS 1 for a session, redelivers unacknowledged ones and keeps retained copies. Messages
/// of one topic keep their order; those of different topics need not (MQTT 3.1.1 section 4.6).
class SimBroker {
public:
    struct Habits {
        /// If this many messages wait, new ones are dropped.
        std::size_t queue_max = 100'000;
        /// The broker saves its data now and then. After a SIGKILL it has the queue of the last save instead
        /// of nothing.
        bool saves_now_and_then = false;
    };

    SimBroker(Habits habits, std::uint64_t seed) : habits_(habits), chance_(seed) {}

    /// Takes a message. Precondition: is_up().
    void publish(std::uint32_t letter, std::uint32_t topic, bool retain);

    /// The daemon connects and subscribes: waiting messages and retained copies are sent. Returns whether the
    /// session was still there. Precondition: is_up().
    [[nodiscard]] bool connect();
    /// The connection is lost. Unacknowledged messages will be sent again, and so will the last
    /// `lost_acknowledgements` acknowledged ones at most, whose acknowledgements did not arrive.
    void disconnect(std::size_t lost_acknowledgements);
    [[nodiscard]] bool is_connected() const { return connected_; }
    /// Forgets the session and its queue, but not the retained messages. Precondition: not connected.
    void expire_session();

    /// The next message for the daemon; the same one until it is acknowledged.
    [[nodiscard]] std::optional<Letter> next() const;
    void acknowledge();
    [[nodiscard]] bool is_empty() const { return queue_.empty(); }

    void stop();  ///< SIGTERM: keeps session, queue and retained messages.
    void kill();  ///< SIGKILL: loses them.
    void start() { up_ = true; }
    [[nodiscard]] bool is_up() const { return up_; }

private:
    struct Kept {
        bool session = false;
        std::deque<Letter> queue;
        std::map<std::uint32_t, std::uint32_t> retained;
    };
    void shuffle_across_topics();

    /// How many messages a broker sends ahead of their acknowledgements.
    static constexpr std::size_t in_flight_max = 20;

    const Habits habits_;
    Chance chance_;
    bool up_ = true;
    bool connected_ = false;
    bool session_ = false;
    std::deque<Letter> queue_;
    std::deque<Letter> acknowledged_;  ///< The last ones of this connection.
    std::map<std::uint32_t, std::uint32_t> retained_;
    Kept saved_;
};

}  // namespace tickledger::simulation
