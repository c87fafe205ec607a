// The daemon put together: store, bookkeeper, booking thread, API, link.
#pragma once

#include <functional>
#include <memory>
#include <string>

#include "configuration/configuration.hpp"
#include "tickledger/result.hpp"

namespace tickledger {

/// Why the daemon, or a replay, could not start or has to end, and the exit status that says so (sysexits).
struct StartFailure {
    int exit_status = 0;
    std::string text;
};

namespace exit_status {
inline constexpr int refused = 65;         ///< EX_DATAERR: a recording that cannot be read.
inline constexpr int no_socket = 73;       ///< EX_CANTCREAT
inline constexpr int store_unusable = 74;  ///< EX_IOERR
inline constexpr int store_held = 75;      ///< EX_TEMPFAIL
inline constexpr int configuration = 78;   ///< EX_CONFIG
}  // namespace exit_status

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
