// All that looks for alarms in the entries of an account.
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

    /// A new entry. The night comes first: it follows the stillness that the others read. Throws
    /// StoreFailure.
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
