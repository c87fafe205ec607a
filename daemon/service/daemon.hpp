// The daemon put together: store, bookkeeper, booking thread, API, link.
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
    /// `on_fatal` is told, on any thread and at most once, why a daemon that runs has to end: the caller
    /// destroys it then, and ends with this exit status.
    [[nodiscard]] static tl::expected<std::unique_ptr<Daemon>, StartFailure> start(
        Configuration configuration, std::function<void(const StartFailure&)> on_fatal);
    ~Daemon();

    /// Takes up other meters, alarms and prices, as a new start would, without losing a message. What else
    /// differs waits for the next start; the journal says so. On the thread that started it.
    void reload(Configuration configuration);

private:
    class Parts;
    explicit Daemon(std::unique_ptr<Parts> parts);

    std::unique_ptr<Parts> parts_;
};

}  // namespace tickledger
