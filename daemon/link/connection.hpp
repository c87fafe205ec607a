// One connection to the broker, from its first packet to its last, through the Paho client library.
//
// What was measured and read in Paho C 1.3.12, and what this class makes of it:
// - The library sends PUBACK when the arrival callback has returned, whatever it returned, and has no
//   acknowledgement by hand. A message that could not be kept must not be acknowledged, so the callback cuts
//   the socket (shutdown) before it returns: the PUBACK can no longer be written, the library sees a lost
//   connection, and the broker sends the message again to the next connection of the session. Waiting inside
//   the callback instead would hold the library's one mutex and with it keep-alive, publishing and
//   disconnecting, and at the end of the program the callback would have to return, and so acknowledge, after
//   all.
// - The library does not tell its socket. It is found by its peer's port; should the process have another
//   connection to the broker, that one is cut too, which is a lost link and no lost message.
// - CONNACK and messages are handled by the library's one receiving thread in the order of the stream, so the
//   success callback of the connection always comes before the first message that waited in the session.
// - The library keeps a buffer as large as the largest packet until its last client is gone, so after a huge
//   message the connection is made anew.
// - A connection is used once. A fresh client holds no publications of the one before; the library would
//   otherwise send them again on its own, beside the outbox.
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

/// What one subscription got: the granted QoS, or 0x80, refused (MQTT 3.1.1 section 3.9.3).
struct Grant {
    std::string filter;
    int code = 0;
};
inline constexpr int grant_refused = 0x80;

/// Hears what happens to a connection. Thread: the client library's; its mutex is held meanwhile, so
/// whoever calls a Connection must not hold a lock that these take.
class ConnectionOwner {
public:
    virtual ~ConnectionOwner() = default;
    /// Accepted by the broker. False: cut it.
    [[nodiscard]] virtual bool connected(bool session_present) = 0;
    /// Never accepted. `code` is that of CONNACK (MQTT 3.1.1 table 3.1, 1 to 5), or negative where there was
    /// none.
    virtual void failed(int code) = 0;
    /// Broken after it was accepted.
    virtual void lost() = 0;
    virtual void subscribed(const std::vector<Grant>& grants) = 0;
    /// True: the message is safe and may be acknowledged.
    [[nodiscard]] virtual bool arrived(Message&& message) = 0;
    /// A packet came that makes the library keep so much memory for as long as this connection lives.
    virtual void swelled(std::size_t bytes) = 0;
    virtual void published(std::int64_t id) = 0;
    virtual void disconnected() = 0;
};

/// Destroying it closes the connection, and without disconnect() before it the broker publishes the Will;
/// afterwards its owner hears nothing more. That may take seconds, while the library's threads come to rest.
/// One thread, and not one of the owner's callbacks. Settings and owner must outlive it.
class Connection {
public:
    Connection(const ConnectionSettings& settings, ConnectionOwner& owner);
    ~Connection();
    Connection(const Connection&) = delete;
    Connection& operator=(const Connection&) = delete;

    /// Begins to connect, once; connected() or failed() follows.
    [[nodiscard]] Result<void> open();
    /// subscribed() follows, unless the connection breaks.
    [[nodiscard]] Result<void> subscribe(const std::vector<std::string>& filters);
    /// The broker forgets these filters, and sends no more for them.
    [[nodiscard]] Result<void> unsubscribe(const std::vector<std::string>& filters);
    /// published() follows, unless the connection breaks.
    [[nodiscard]] Result<void> publish(const Publication& publication);
    /// Ends it in order, so that the broker does not publish the Will; disconnected() follows.
    [[nodiscard]] Result<void> disconnect();

private:
    struct Client;
    const ConnectionSettings& settings_;
    ConnectionOwner& owner_;
    std::unique_ptr<Client> client_;
};

}  // namespace tickledger
