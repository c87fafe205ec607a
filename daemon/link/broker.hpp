// The link to the broker. It receives messages, each of which is made safe before it is acknowledged, and
// sends publications.
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

/// Something to publish with QoS 1.
struct Publication {
    std::int64_t id = 0;  ///< From the outbox; passed to on_published.
    std::string topic;    ///< The full topic, with the root.
    std::string payload;
    bool retained = false;
};

struct LinkState {
    bool connected = false;
    /// True if every subscription is granted.
    bool subscribed = false;
    /// When `subscribed` last became true; empty while it is false.
    std::optional<std::chrono::steady_clock::time_point> subscribed_since;
    /// Why it is not connected, or which subscription is not granted, as a sentence. Empty if all is well.
    std::string trouble;
    std::uint64_t received = 0;  ///< Messages that on_message kept.
    std::uint64_t connects = 0;
};

/// Persistent session (clean start off), QoS 1 both ways, a Will, and reconnection after growing, jittered
/// waits. Threads: on_message, on_published, on_room and on_link(up) run on the client library's thread, one
/// at a time. on_link(down) runs on the link's own thread, after the last message of that link and before the
/// next on_link(up). on_trouble runs on either. Callbacks must not throw and must not call stop(); they may
/// call publish() and state(). Methods may be called from any thread. Only stop() and the destructor wait for
/// a callback.
class BrokerLink {
public:
    struct Callbacks {
        /// Called for each arriving message. Return true once the message is safe: the broker is then sent
        /// its acknowledgement. Return false if the message could not be kept (full disk): the link is then
        /// dropped without acknowledging and tried again later, and the broker sends the message again.
        std::function<bool(Message&&)> on_message;
        /// The link went up (called before its first message) or down. False: as above.
        std::function<bool(LinkChange)> on_link;
        /// The broker has acknowledged this publication.
        std::function<void(std::int64_t id)> on_published;
        /// publish() refused because the window was full, and half of it is free again. Called once a
        /// refusal, and not for each acknowledgement, so that many publications are handed over at a time.
        std::function<void()> on_room;
        /// Reports trouble as a line for the journal.
        std::function<void(const std::string&)> on_trouble;
    };

    /// Checks the URL and the files, then connects in the background. An unreachable broker is not an error.
    [[nodiscard]] static Result<std::unique_ptr<BrokerLink>> start(const BrokerSettings& settings,
                                                                   std::vector<std::string> topic_filters,
                                                                   Callbacks callbacks);
    ~BrokerLink();

    /// Hands a publication over, and again if no acknowledgement comes within ten seconds. on_published is
    /// called for it once, or never if the link goes down first; then publish it again after the next
    /// on_link(up). Returns false if the link is not connected or the window of unacknowledged publications
    /// is full.
    [[nodiscard]] bool publish(const Publication& publication);

    /// Changes the subscriptions: subscribes to new topics and unsubscribes from dropped ones, now or at the
    /// next connection.
    void subscribe_to(std::vector<std::string> topic_filters);

    [[nodiscard]] LinkState state() const;

    /// Publishes `down`, disconnects and stops all callbacks, within `wait`. If that time is too short, the
    /// connection is cut and the broker publishes the Will. The destructor may take a second or two longer
    /// while the client library's threads end, and it waits for a callback that has not returned.
    void stop(Duration wait);

private:
    class Worker;
    explicit BrokerLink(std::unique_ptr<Worker> worker);

    std::unique_ptr<Worker> worker_;
};

}  // namespace tickledger
