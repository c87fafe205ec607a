// Facts that the ledger keeps beside the accounts. Each is one text, written with the batch that changed it.
#pragma once

#include <cstdint>
#include <optional>

#include "store/ledger.hpp"
#include "tickledger/time.hpp"

namespace tickledger {

/// What happened to messages since the ledger began.
struct MessageCounts {
    std::uint64_t booked = 0;  ///< Looked at, whatever the result.
    std::uint64_t unreadable = 0;
    std::uint64_t stray = 0;
    std::uint64_t late_refused = 0;
    std::uint64_t without_meter = 0;
};

/// The link to the broker, as the log reports it.
struct LinkFact {
    bool up = true;
    std::optional<Instant> since;
};

struct LedgerFacts {
    MessageCounts counts;
    LinkFact link;
    /// Every deadline up to this moment is met.
    std::optional<Instant> settled_until;
    /// Entries and intervals that ended before this are no longer kept.
    std::optional<Instant> fine_detail_from;
    /// At the end of the last batch, the `now` of some meter still waited for its turn.
    bool now_waits = false;
};

/// Throws StoreFailure.
[[nodiscard]] LedgerFacts load_facts(Ledger& ledger);
/// Stores all facts except `fine_detail_from` and `now_waits`, which seldom change. Throws StoreFailure.
void store_facts(Ledger& ledger, const LedgerFacts& facts);
/// Throws StoreFailure.
void store_fine_detail_from(Ledger& ledger, Instant from);
/// Throws StoreFailure.
void store_now_waits(Ledger& ledger, bool waits);

}  // namespace tickledger
