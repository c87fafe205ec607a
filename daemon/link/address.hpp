// Where the broker is, and why it cannot be reached.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>

#include "tickledger/result.hpp"
#include "tickledger/time.hpp"

namespace tickledger {

struct BrokerAddress {
    std::string url;   ///< As configured, for sentences.
    std::string host;  ///< Without the brackets of an IPv6 address.
    std::uint16_t port = 1883;
    bool tls = false;

    /// As the client library wants it: "tcp://[::1]:1883", "ssl://broker.example:8883".
    [[nodiscard]] std::string server_uri() const;
};

/// Reads "mqtt://HOST[:PORT]" or "mqtts://HOST[:PORT]". Default ports 1883 and 8883 as registered with IANA.
/// Fails with what is wrong and what to write instead.
[[nodiscard]] Result<BrokerAddress> parse_broker_url(std::string_view url);

/// Tries a bare TCP connection and says why it fails, as "the broker at mqtt://127.0.0.1:1883 refuses
/// the connection (connection refused); is it running?". Empty: it does not fail. Takes about
/// `wait` at most, and as long as the system's name look-up takes.
[[nodiscard]] std::string why_unreachable(const BrokerAddress& address, Duration wait);

/// Shuts down, both ways, every TCP connection of this process to a peer with this port, so that
/// nothing can be written to it any more. Their owners see a lost connection.
void cut_connections_to_port(std::uint16_t peer_port);

}  // namespace tickledger
