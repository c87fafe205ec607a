// All watches of an account. They look for alarms in its entries.
#pragma once

#include "book/hygiene_watch.hpp"
#include "book/night_watch.hpp"
#include "book/silence_watch.hpp"
#include "book/slow_watch.hpp"
#include "book/use_watch.hpp"

namespace tickledger {

struct Watches {
    Watches(const CivilZone& zone, Ledger& ledger, AlarmDesk& desk, const LinkFact& link)
        : night(zone, ledger, desk),
          slow(zone, desk),
          use(zone, desk),
          hygiene(zone, desk),
          silence(zone, desk, link) {}

    /// Passes on a new entry. The night watch comes first, because the others read the stillness that it
    /// updates. Throws StoreFailure.
    void follow(Account& account, const Entry& entry) {
        night.follow(account, entry);
        slow.follow(account, entry);
        use.follow(account, entry);
        hygiene.follow(account, entry);
    }

    NightWatch night;
    SlowWatch slow;
    UseWatch use;
    HygieneWatch hygiene;
    SilenceWatch silence;
};

}  // namespace tickledger
