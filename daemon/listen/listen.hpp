// Listens to a broker for a while. Neither a session nor anything else remains at the broker.
#pragma once

#include "configuration/configuration.hpp"
#include "listen/findings.hpp"
#include "tickledger/result.hpp"

namespace tickledger {

struct ListenOrder {
    /// The URL, username, password_file and TLS files are used. The client id is not: each call uses its own.
    BrokerSettings broker;
    /// An MQTT topic filter.
    std::string filter = "#";
    Duration length = std::chrono::minutes{1};
    /// The topic to write a [[meter]] for. Empty: show what was heard, and ask if there is a terminal.
    std::string topic;
    bool shows_progress = false;
    /// `broker` is of a configuration file. Errors then name its settings, otherwise the command's options.
    bool is_configured = false;
};

/// Subscribes, waits, and returns what it heard. Fails if the broker cannot be reached, refuses, or goes away
/// before the time is over; the error says what to do.
[[nodiscard]] Result<Findings> listen(const ListenOrder& order);

/// The whole command: listens, writes the findings to standard output, and then the [[meter]] table of the
/// chosen topic. With `order.topic` only the table goes to standard output, so that it can be appended to a
/// file. Returns the exit status: 0; 64 (EX_USAGE) or, if `order.is_configured`, 78 (EX_CONFIG) if the order
/// has a mistake; 69 (EX_UNAVAILABLE) if listening failed; 1 if nothing was heard or the topic has nothing
/// that counts.
[[nodiscard]] int run_listen(const ListenOrder& order);

}  // namespace tickledger
