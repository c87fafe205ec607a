// One connection to the broker, from its first packet to its last, through the Paho client library.
//
// How Paho C 1.3.12 behaves (measured, and read in its source), and how this class copes:
// - The library sends PUBACK when the arrival callback returns, whatever it returns; it has no manual
//   acknowledgement. A message that could not be kept must not be acknowledged, so the callback cuts the
//   socket (shutdown) before it returns. Then the PUBACK cannot be written, the library sees a lost
//   connection, and the broker sends the message again to the session's next connection. Waiting inside the
//   callback would be no solution: it would hold the library's one mutex and block keep-alive, publishing and
//   disconnecting. When the program ends, the callback would still have to return, and so acknowledge.
// - The library does not expose its socket. The socket is found by its peer's port. If the process has
//   another connection to the broker, that one is cut too: a link is lost, but no message.
// - The library's one receiving thread handles CONNACK and messages in the order of the stream. So the
//   connection's success callback always comes before the first message that waited in the session.
// - The library keeps a buffer as large as the largest packet until its last client is destroyed. So the
//   connection is replaced after a huge message.
// - A connection is used once, because a new client holds no publications of the previous one. The library
//   would otherwise send those again by itself, in addition to the outbox.
#pragma once

#include <cstdint>
#include <memory>
#include <string>
#include <utility>
#include <vector>

#include "link/address.hpp"
#include "link/broker.hpp"

namespace tickledger {

struct ConnectionSettings {
    BrokerAddress address;
    BrokerSettings broker;
    std::string password;
    std::string will_topic;
    std::string will_payload;
};

/// The broker's answer to one subscription: the granted QoS, or 0x80 for refused (MQTT 3.1.1 section 3.9.3).
struct Grant {
    std::string filter;
    int code = 0;
};
inline constexpr int grant_refused = 0x80;

/// Receives the events of a connection on the client library's thread. The library's mutex is held meanwhile,
/// so a caller of Connection must not hold a lock that these functions take.
class ConnectionOwner {
public:
    virtual ~ConnectionOwner() = default;
    /// The broker accepted the connection. Return false to cut it.
    [[nodiscard]] virtual bool connected(bool session_present) = 0;
    /// The connection was never accepted. `code` is the return code of CONNACK (MQTT 3.1.1 table 3.1, 1 to
    /// 5), or negative if there was none.
    virtual void failed(int code) = 0;
    /// The connection broke after it was accepted.
    virtual void lost() = 0;
    virtual void subscribed(const std::vector<Grant>& grants) = 0;
    /// Return true if the message is safe and may be acknowledged.
    [[nodiscard]] virtual bool arrived(Message&& message) = 0;
    /// A packet of this size arrived; the library keeps that much memory as long as this connection lives.
    virtual void swelled(std::size_t bytes) = 0;
    virtual void published(std::int64_t id) = 0;
    virtual void disconnected() = 0;
};

/// Destroying it closes the connection. Without disconnect() before that, the broker publishes the Will. The
/// owner is not called afterwards. Destruction may take seconds while the library's threads end. Call it from
/// one thread only, and not from the owner's callbacks. Settings and owner must outlive it.
class Connection {
public:
    Connection(const ConnectionSettings& settings, ConnectionOwner& owner);
    ~Connection();
    Connection(const Connection&) = delete;
    Connection& operator=(const Connection&) = delete;

    /// Begins to connect. Call it once; connected() or failed() follows.
    [[nodiscard]] Result<void> open();
    /// subscribed() follows, unless the connection breaks.
    [[nodiscard]] Result<void> subscribe(const std::vector<std::string>& filters);
    /// Unsubscribes from these filters; no owner function follows.
    [[nodiscard]] Result<void> unsubscribe(const std::vector<std::string>& filters);
    /// published() follows, unless the connection breaks.
    [[nodiscard]] Result<void> publish(const Publication& publication);
    /// Ends the connection in order, so that the broker does not publish the Will. disconnected() follows.
    [[nodiscard]] Result<void> disconnect();

private:
    struct Client;
    const ConnectionSettings& settings_;
    ConnectionOwner& owner_;
    std::unique_ptr<Client> client_;
};

}  // namespace tickledger
