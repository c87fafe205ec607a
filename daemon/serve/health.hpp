// The daemon's own state, for the health call.
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
    /// When the last message of any kind arrived.
    std::optional<Instant> last_message_at;
    /// When the node fell silent, if that is longer ago than `silent_after`.
    std::optional<Instant> silent_since;
    /// When the node last sent a time that was not believed.
    std::optional<Instant> clock_disbelieved_at;
    /// Messages of the last hour that were refused as unreadable or as strays. The next fields describe the
    /// newest: its time, its topic and the reason.
    std::int64_t refused_count = 0;
    std::optional<Instant> refused_at = std::nullopt;
    std::string refused_topic = {};
    std::string refused_text = {};
    bool is_refused_unreadable = false;
    /// How long its topic has been subscribed to, if nothing has ever arrived and that is longer than two
    /// cadences.
    std::optional<Duration> unheard_for = std::nullopt;
    std::string topic = {};
    /// The configured cadence, and how often the node really sends if that is clearly less often.
    Duration cadence{};
    std::optional<Duration> longer_cadence = std::nullopt;
};

/// The store's files.
struct StoreHealth {
    std::uintmax_t ledger_bytes = 0;
    std::uintmax_t messages_bytes = 0;
    /// Space free for the daemon on the store's file system, if the system reports it.
    std::optional<std::uintmax_t> free_bytes;
    std::optional<Instant> last_backup_at;
    std::uintmax_t last_backup_bytes = 0;
    std::int64_t backup_count = 0;
    /// Why the last backup failed; empty if it did not.
    std::string backup_trouble;
    /// The newest backup is older than it should be.
    bool is_backup_late = false;
    /// What happened to a damaged ledger, as long as that file is kept; empty if there was none.
    std::string rescue;
    /// Files that were removed, moved or replaced while the daemon ran, and were written again; a sentence
    /// each.
    std::vector<std::string> written_anew;

    /// So little space is left that the next days may not fit.
    [[nodiscard]] bool is_short_of_space() const;
};

struct HealthFacts {
    std::string version;

    /// A newly installed service has none. It runs anyway, so that its socket can say so.
    bool has_meters = true;

    bool broker_connected = false;
    bool broker_subscribed = false;
    /// Why it is not connected, or which subscription is refused or has no acknowledgement, in a sentence.
    /// Empty if all is well.
    std::string broker_trouble;

    /// Why booking has stopped, in the store's words; empty if it has not.
    std::string store_error;
    StoreHealth store;
    /// A topic that would have opened one meter more than `max_meters`; empty if there was none.
    std::string turned_away;
    std::int64_t max_meters = 0;
    /// The topic of the last hour's newest message that belongs to no meter; empty if there was none.
    std::string unmatched_topic;
    std::optional<Instant> unmatched_at;

    std::uint64_t messages_accepted = 0;
    std::uint64_t messages_booked = 0;
    std::uint64_t messages_unreadable = 0;
    std::uint64_t messages_stray = 0;

    /// Publications that the broker has acknowledged but the ledger still lists as waiting. The next booking
    /// removes them.
    std::int64_t publications_arrived = 0;

    /// Set while stamps are ahead of the time: they continue from here, more slowly, until the time has
    /// caught up.
    std::optional<Instant> stamps_held_at;
    /// By how much the server's clock is ahead of the believed time; zero if the clock is believed.
    Duration clock_ahead{};
    /// False if the time is not known yet and the server's clock is not believed.
    bool is_time_known = true;
    /// The number of messages that wait in the log because the time is not known.
    std::uint64_t messages_undated = 0;

    std::vector<MeterHealth> meters;
};

/// What a person should look at, one sentence each; empty if all is well.
[[nodiscard]] std::vector<std::string> troubles_of(const HealthFacts& facts, const CivilZone& zone);

}  // namespace tickledger
