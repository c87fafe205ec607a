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
    /// Messages of the last hour that were refused as unreadable or as strays; of the newest, its time, its
    /// topic and why.
    std::int64_t refused_count = 0;
    std::optional<Instant> refused_at = std::nullopt;
    std::string refused_topic = {};
    std::string refused_text = {};
    bool is_refused_unreadable = false;
    /// Nothing has ever come, though so long was listened to its topic: longer than two cadences.
    std::optional<Duration> unheard_for = std::nullopt;
    std::string topic = {};
};

/// The store's files.
struct StoreHealth {
    std::uintmax_t ledger_bytes = 0;
    std::uintmax_t messages_bytes = 0;
    /// Free for the daemon on the store's file system, where that can be told.
    std::optional<std::uintmax_t> free_bytes;
    std::optional<Instant> last_backup_at;
    std::uintmax_t last_backup_bytes = 0;
    std::int64_t backup_count = 0;
    /// Why the last try at a backup failed; empty: it did not.
    std::string backup_trouble;
    /// A backup is older than it should be.
    bool is_backup_late = false;
    /// What became of a damaged ledger, while that is kept; empty: there was none.
    std::string rescue;
    /// What was removed, moved or replaced under the daemon since it was started, and was written anew.
    std::vector<std::string> written_anew;

    /// So little is left that the next days may not fit.
    [[nodiscard]] bool is_short_of_space() const;
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
    StoreHealth store;
    /// A topic that would have opened one meter more than `max_meters`; empty: there was none.
    std::string turned_away;
    std::int64_t max_meters = 0;
    /// The newest message of the last hour that belongs to no meter, by its topic; empty: there was none.
    std::string unmatched_topic;
    std::optional<Instant> unmatched_at;

    std::uint64_t messages_accepted = 0;
    std::uint64_t messages_booked = 0;
    std::uint64_t messages_unreadable = 0;
    std::uint64_t messages_stray = 0;

    /// Publications that the broker has, but that the ledger still lists as waiting: it forgets them with the
    /// next booking.
    std::int64_t publications_arrived = 0;

    /// Stamps are ahead of the time: they go on from here, slower, until it has caught up.
    std::optional<Instant> stamps_held_at;
    /// By how much the server's clock is ahead of what is believed; zero: it is believed.
    Duration clock_ahead{};
    /// False: nobody has told the time yet, and the server's clock is not believed.
    bool is_time_known = true;
    /// Messages that wait in the log because the time is not known.
    std::uint64_t messages_undated = 0;

    std::vector<MeterHealth> meters;
};

/// What a person should look at, a sentence each; empty: all is well.
[[nodiscard]] std::vector<std::string> troubles_of(const HealthFacts& facts, const CivilZone& zone);

}  // namespace tickledger
