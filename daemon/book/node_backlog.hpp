// A node's own backlog: what it could not send it sends at once when it is heard again, as a broker does with
// what waited there. Which readings had waited is told by their haste alone.
//
// A reading without a believed time that follows a silence of more than 1.5 cadences is kept until the next
// one has come or half a cadence has passed. If the next one comes sooner than that, both had waited, and so
// had all that follow as closely; so had a second burst within 1.5 cadences after the first. They are booked
// together once no more come, placed by the cadence back from their arrival (docs/ledger.md, "Waited").
//
// What is kept stands in the account's memory, so in the same transaction as the place in the log: a daemon
// that was killed goes on where it was.
#pragma once

#include <optional>

#include "book/account.hpp"

namespace tickledger {

/// More readings than these are not kept: what has come is booked as a backlog, and the rest as another.
inline constexpr std::size_t node_backlog_max = 500;

/// True where a reading that tells no believed time and came just now must be kept. Precondition: what was
/// kept is settled as far as its deadline has passed.
[[nodiscard]] bool must_be_kept(const Account& account, Instant arrived_at);

/// Keeps it. Returns whether what is kept must be settled now: no more can be kept, or they have come like
/// this for a whole cadence.
bool keep(Account& account, const Reading& reading, HeldMessage message);

/// More may follow what is kept and settled now. Not where the node is in no hurry: it has come like this for
/// a whole cadence, and it always does so, or has told more readings than it can have gathered meanwhile.
/// Precondition: something is kept.
[[nodiscard]] bool may_go_on(const Account& account);

/// Takes a booked reading that had not waited as a sign of how often the node speaks. `before`: the one
/// before it, if any.
void note_pace(AccountMemory& memory, const std::optional<Observation>& before, const CounterRules& rules);

/// True where a message at this moment shows that what is kept had waited.
[[nodiscard]] bool is_burst_with(const NodeBacklog& backlog, Instant arrived_at, Duration cadence);

/// When what is kept is booked though no other message came; nothing where nothing is kept.
[[nodiscard]] std::optional<Instant> node_backlog_deadline(const Account& account);

}  // namespace tickledger
