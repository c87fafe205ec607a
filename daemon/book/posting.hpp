// From entries to the series: stores entries, spreads their ticks over the rows, and updates what is derived
// from them: adjustments, alarms, publications.
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

    /// Adds the entries of one reading, in order of time, after everything that is booked.
    void add(Account& account, std::span<const Entry> entries);
    /// Replaces a booked entry by its parts: the same span and ticks, divided.
    void replace(Account& account, const Entry& entry, std::span<const Entry> parts);
    /// No later entry ends before `until`, the beginning of an interval: closes and publishes the rows that
    /// ended by then.
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
