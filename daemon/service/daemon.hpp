// The whole daemon: store, bookkeeper, booking thread, API and link.
#pragma once

#include <functional>
#include <memory>
#include <string>

#include "configuration/configuration.hpp"
#include "service/start_failure.hpp"
#include "tickledger/result.hpp"

namespace tickledger {

/// A running daemon. The destructor disconnects from the broker, commits and closes, within a second.
class Daemon {
public:
    /// `on_fatal` is called, on any thread and at most once, with the reason why a running daemon has to end.
    /// The caller must then destroy the daemon and exit with this status.
    [[nodiscard]] static tl::expected<std::unique_ptr<Daemon>, StartFailure> start(
        Configuration configuration, std::function<void(const StartFailure&)> on_fatal);
    ~Daemon();

    /// Takes up changed meters, alarms and prices as a restart would, without losing a message. Other changes
    /// take effect at the next start; the journal says so. Call it on the thread that called start().
    void reload(Configuration configuration);

private:
    class Parts;
    explicit Daemon(std::unique_ptr<Parts> parts);

    std::unique_ptr<Parts> parts_;
};

}  // namespace tickledger
