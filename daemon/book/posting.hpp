// From entries to the series: stores them, spreads their ticks over the rows, and lets everything that is
// made of them follow.
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

    /// Adds what one reading booked, in order of time, behind all that is booked already.
    void add(Account& account, std::span<const Entry> entries);
    /// Puts the parts of a booked entry in its place: the same span and ticks, seen more finely.
    void replace(Account& account, const Entry& entry, std::span<const Entry> parts);
    /// No entry will end before `until` any more, an interval's begin: what ended there by then is closed and
    /// published.
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
