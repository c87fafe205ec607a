// Where the broker is, and why it cannot be reached.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>

#include "tickledger/result.hpp"
#include "tickledger/time.hpp"

namespace tickledger {

struct BrokerAddress {
    std::string url;   ///< As configured, for messages to people.
    std::string host;  ///< Without the brackets of an IPv6 address.
    std::uint16_t port = 1883;
    bool tls = false;

    /// In the form that the client library wants: "tcp://[::1]:1883", "ssl://broker.example:8883".
    [[nodiscard]] std::string server_uri() const;
};

/// Parses "mqtt://HOST[:PORT]" or "mqtts://HOST[:PORT]". The default ports, 1883 and 8883, are those
/// registered with IANA. The error says what is wrong and what to write instead.
[[nodiscard]] Result<BrokerAddress> parse_broker_address(std::string_view url);

/// Tries a bare TCP connection and returns why it fails, for example "the broker at mqtt://127.0.0.1:1883
/// refuses the connection (connection refused); is it running?". Returns an empty string if it does not fail.
/// Each address of the host is tried for at most `wait`; the system's name look-up adds its own time.
[[nodiscard]] std::string why_unreachable(const BrokerAddress& address, Duration wait);

/// Shuts down, both ways, every TCP connection of this process to a peer with this port. Nothing can be
/// written to them afterwards. Their owners see a lost connection.
void cut_connections_to_port(std::uint16_t peer_port);

}  // namespace tickledger
