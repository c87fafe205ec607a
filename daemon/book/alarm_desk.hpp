// Raises and clears the alarms of an account, once each, and tells the ledger and the broker.
#pragma once

#include <string>

#include "book/account.hpp"
#include "book/outbox.hpp"
#include "tickledger/civil.hpp"

namespace tickledger {

/// Why an alarm is raised: a JSON object for programs and sentences for people.
struct Evidence {
    std::string json;
    std::string text;
};

class AlarmDesk {
public:
    AlarmDesk(const CivilZone& zone, Ledger& ledger, Outbox& outbox)
        : zone_(zone), ledger_(ledger), outbox_(outbox) {}

    [[nodiscard]] static bool is_active(const Account& account, AlarmKind kind);

    /// A kind that stands already stays the alarm it is. Throws StoreFailure.
    void raise(Account& account, AlarmKind kind, Instant at, const Evidence& evidence);
    /// Nothing where it does not stand. Throws StoreFailure.
    void clear(Account& account, AlarmKind kind, Instant at);

private:
    void tell(const Account& account, const Alarm& alarm);

    const CivilZone& zone_;
    Ledger& ledger_;
    Outbox& outbox_;
};

}  // namespace tickledger
