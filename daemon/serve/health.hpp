// What the daemon knows of its own state, for the health call.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "tickledger/civil.hpp"
#include "tickledger/time.hpp"

namespace tickledger {

struct MeterHealth {
    std::string id;
    /// The last message of any kind, by the stamp of its arrival.
    std::optional<Instant> last_message_at;
    /// Since when the node has been silent for longer than `silent_after`; nothing: it speaks.
    std::optional<Instant> silent_since;
    /// The last time that the node told a time which was not believed.
    std::optional<Instant> clock_disbelieved_at;
};

struct HealthFacts {
    std::string version;

    /// A service that was just installed has none yet; it runs, so that its socket can say so.
    bool has_meters = true;

    bool broker_connected = false;
    bool broker_subscribed = false;
    /// Why it is not connected, in a sentence; empty if it is.
    std::string broker_trouble;

    /// Why booking stands still, in the store's words; empty: it does not.
    std::string store_error;

    std::uint64_t messages_accepted = 0;
    std::uint64_t messages_booked = 0;
    std::uint64_t messages_unreadable = 0;
    std::uint64_t messages_stray = 0;

    /// The server's clock was set back; stamps stand still until it has caught up with this.
    std::optional<Instant> stamps_held_at;
    /// Messages that wait in the log because the server's clock is not set.
    std::uint64_t messages_undated = 0;

    std::vector<MeterHealth> meters;
};

/// What a person should look at, a sentence each; empty: all is well.
[[nodiscard]] std::vector<std::string> troubles_of(const HealthFacts& facts, const CivilZone& zone);

}  // namespace tickledger
