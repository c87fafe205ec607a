// The link to the broker: messages in, each made safe before it is acknowledged; publications out.
#pragma once

#include <chrono>
#include <cstdint>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "configuration/configuration.hpp"
#include "store/recording.hpp"
#include "tickledger/result.hpp"

namespace tickledger {

/// Something to publish, QoS 1.
struct Publication {
    std::int64_t id = 0;  ///< Of the outbox; told back when the broker has it.
    std::string topic;    ///< Whole, with the root.
    std::string payload;
    bool retained = false;
};

struct LinkState {
    bool connected = false;
    /// Every subscription is granted.
    bool subscribed = false;
    /// Since when, while it is.
    std::optional<std::chrono::steady_clock::time_point> subscribed_since;
    /// Why it is not connected, or which subscription is not granted, in a sentence; empty if all is well.
    std::string trouble;
    std::uint64_t received = 0;  ///< Messages that on_message kept.
    std::uint64_t connects = 0;
};

/// Persistent session (clean start off), QoS 1 both ways, a Will, reconnect with growing, jittered waits.
/// Thread: on_message, on_published and on_link(up) run on the client library's thread, one at a time;
/// on_link(down) on the link's own, after the last message of that link and before the next up; on_trouble on
/// either. They must not throw, and not call stop(); publish() and state() they may call. Methods may be
/// called from any thread, and none waits for a callback but stop() and the destructor.
class BrokerLink {
public:
    struct Callbacks {
        /// Called for each arriving message; the broker gets its acknowledgement when this returns true,
        /// so it returns once the message is safe. False: it could not be kept (full disk); then the link
        /// is dropped without acknowledging and tried again later, and the broker sends the message again.
        std::function<bool(Message&&)> on_message;
        /// The link went up (before any message of it) or down. False: as above.
        std::function<bool(LinkChange)> on_link;
        /// The broker has acknowledged this publication.
        std::function<void(std::int64_t id)> on_published;
        /// A line for the journal.
        std::function<void(const std::string&)> on_trouble;
    };

    /// Checks files and the URL, starts connecting in the background; a broker that is away is no error.
    [[nodiscard]] static Result<std::unique_ptr<BrokerLink>> start(const BrokerSettings& settings,
                                                                   std::vector<std::string> topic_filters,
                                                                   Callbacks callbacks);
    ~BrokerLink();

    /// Hands a publication over, and again where no acknowledgement comes for ten seconds; it is told back
    /// through on_published once, or not at all if the link goes down first (then publish it again after the
    /// next on_link up). False: not connected, or the window of unacknowledged publications is full.
    [[nodiscard]] bool publish(const Publication& publication);

    /// Changes the subscriptions: subscribes to new topics and unsubscribes from those that are gone, now or
    /// at the next connection.
    void subscribe_to(std::vector<std::string> topic_filters);

    [[nodiscard]] LinkState state() const;

    /// Publishes `down`, disconnects and stops all callbacks; at most `wait` long. Where that does not do,
    /// the connection is cut and the broker publishes the Will. The destructor may take a second or two
    /// longer, while the client library's threads come to rest, and as long as a callback that has not
    /// returned.
    void stop(Duration wait);

private:
    class Worker;
    explicit BrokerLink(std::unique_ptr<Worker> worker);

    std::unique_ptr<Worker> worker_;
};

}  // namespace tickledger
