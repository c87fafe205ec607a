// Facts that the ledger keeps beside the accounts, each as one text, written with the batch that changed it.
#pragma once

#include <cstdint>
#include <optional>

#include "store/ledger.hpp"
#include "tickledger/time.hpp"

namespace tickledger {

/// What became of messages since the ledger began.
struct MessageCounts {
    std::uint64_t booked = 0;  ///< Looked at, whatever came of it.
    std::uint64_t unreadable = 0;
    std::uint64_t stray = 0;
    std::uint64_t late_refused = 0;
    std::uint64_t without_meter = 0;
};

/// The link to the broker, as the log tells it.
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
    /// The `now` of a meter waited for its turn at the end of the last batch.
    bool now_waits = false;
};

/// Throws StoreFailure.
[[nodiscard]] LedgerFacts load_facts(Ledger& ledger);
/// All but `fine_detail_from` and `now_waits`, which seldom change. Throws StoreFailure.
void store_facts(Ledger& ledger, const LedgerFacts& facts);
/// Throws StoreFailure.
void store_fine_detail_from(Ledger& ledger, Instant from);
/// Throws StoreFailure.
void store_now_waits(Ledger& ledger, bool waits);

}  // namespace tickledger
