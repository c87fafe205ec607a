// Listens to a broker for a while, without a session or anything else that stays there.
#pragma once

#include "configuration/configuration.hpp"
#include "listen/findings.hpp"
#include "tickledger/result.hpp"

namespace tickledger {

struct ListenOrder {
    /// URL, username, password_file and the TLS files count; the client's name is a fresh one.
    BrokerSettings broker;
    /// An MQTT topic filter.
    std::string filter = "#";
    Duration length = std::chrono::minutes{1};
    /// A topic to write a [[meter]] for; empty: only show what was heard, and ask at a terminal.
    std::string topic;
    bool shows_progress = false;
};

/// Subscribes, waits, and returns what it heard. Fails, with what to do, where the broker cannot be reached,
/// refuses, or goes away before the time is over.
[[nodiscard]] Result<Findings> listen(const ListenOrder& order);

/// The whole command: listens, writes what it found to standard output, and the [[meter]] of the chosen
/// topic. With `order.topic` only the table goes to standard output, so that it can be appended to a file.
/// Returns the exit status: 0; 69 (EX_UNAVAILABLE) where nobody could be listened to; 1 where the topic said
/// nothing that counts.
[[nodiscard]] int run_listen(const ListenOrder& order);

}  // namespace tickledger
