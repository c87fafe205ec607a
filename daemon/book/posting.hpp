// From entries to the series: stores entries, spreads their ticks over the rows, and updates what depends on
// them: adjustments, alarms and publications.
#pragma once

#include <span>

#include "book/account.hpp"
#include "book/alarm_desk.hpp"
#include "book/publications.hpp"
#include "book/register_follower.hpp"
#include "book/row_cache.hpp"
#include "book/watches.hpp"

namespace tickledger {

/// All methods throw StoreFailure.
class Posting {
public:
    Posting(Ledger& ledger, RowCache& rows, Publications& publications, RegisterFollower& follower,
            AlarmDesk& desk, Watches& watches)
        : ledger_(ledger),
          rows_(rows),
          publications_(publications),
          follower_(follower),
          desk_(desk),
          watches_(watches) {}

    /// Adds the entries of one reading, in order of time. They come after everything that is booked.
    void add(Account& account, std::span<const Entry> entries);
    /// Replaces a booked entry by parts that divide its span. Their ticks may sum to more than its own,
    /// because a late message can add pulses.
    void replace(Account& account, const Entry& entry, std::span<const Entry> parts);
    /// Closes and publishes the rows that end by `until`, the beginning of an interval. `tells_intervals`
    /// false: publishes no intervals, only the last closed day. Precondition: no later entry ends before
    /// `until`.
    void close_until(Account& account, Instant until, bool tells_intervals = true);

private:
    Ledger& ledger_;
    RowCache& rows_;
    Publications& publications_;
    RegisterFollower& follower_;
    AlarmDesk& desk_;
    Watches& watches_;
};

}  // namespace tickledger
