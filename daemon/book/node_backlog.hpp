// A node's own backlog. A node that could not send keeps its readings and sends them at once when it is heard
// again, as a broker does with waiting messages. Only their pace shows which readings had waited.
//
// A reading without a believed time that follows a silence of more than 1.5 cadences is kept until the next
// one arrives or half a cadence has passed. If the next one arrives sooner, both had waited, and so had all
// that follow as closely. A second burst within 1.5 cadences after the first had waited too. The readings are
// booked together once no more come, placed by the cadence back from their arrival (docs/ledger.md,
// "Waited").
//
// The kept readings are part of the account's memory, and are stored in the same transaction as the place in
// the log. So a daemon that was killed continues where it was.
#pragma once

#include <optional>

#include "book/account.hpp"

namespace tickledger {

/// No more readings than these are kept. At this number the readings are booked as a backlog, and the rest as
/// another.
inline constexpr std::size_t node_backlog_max = 500;

/// Whether a reading without a believed time that has just arrived must be kept. Precondition: kept readings
/// whose deadline has passed are settled.
[[nodiscard]] bool must_be_kept(const Account& account, Instant arrived_at);

/// Keeps the reading. Returns whether the kept readings must be settled now: no more can be kept, or they
/// have come like this for a whole cadence.
bool keep(Account& account, const Reading& reading, HeldMessage message);

/// Whether more of the same backlog may follow after the kept readings are settled. False if they are no
/// burst. Also false if they have come this fast for a whole cadence, and the node always sends so fast or
/// has sent more readings than it can have gathered meanwhile. Precondition: something is kept.
[[nodiscard]] bool may_go_on(const Account& account);

/// Learns from a booked reading that had not waited how often the node sends. `before`: the reading before
/// it, if any.
void note_pace(AccountMemory& memory, const std::optional<Observation>& before, const CounterRules& rules);

/// The broker's retained copy was booked. It does not end a silence of the node: the node's own queue may
/// follow. `before`: the reading before it, if any.
void pass_over_copy(Account& account, const std::optional<Observation>& before, Instant arrived_at);

/// Whether a message at this moment shows that the kept readings had waited.
[[nodiscard]] bool is_burst_with(const NodeBacklog& backlog, Instant arrived_at, Duration cadence);

/// When the kept readings are booked if no other message arrives. Nothing: none are kept.
[[nodiscard]] std::optional<Instant> node_backlog_deadline(const Account& account);

}  // namespace tickledger
