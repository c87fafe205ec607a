// The node-silent alarm: nothing was heard from a node for too long while the link was up.
#pragma once

#include <optional>

#include "book/alarm_desk.hpp"
#include "book/ledger_facts.hpp"

namespace tickledger {

class SilenceWatch {
public:
    /// `link`: kept by the caller, read at each call.
    SilenceWatch(const CivilZone& zone, AlarmDesk& desk, const LinkFact& link)
        : zone_(zone), desk_(desk), link_(link) {}

    /// A message arrived that had not waited at the broker. A node that keeps sending too seldom stays one
    /// alarm. The alarm is cleared once no gap has been too long for a time of `silent_after`. Throws
    /// StoreFailure.
    void hear(Account& account, Instant at);
    /// When the alarm is raised if nothing is heard before.
    [[nodiscard]] std::optional<Instant> deadline(const Account& account) const;
    /// Raises the alarm. Throws StoreFailure.
    void raise(Account& account, Instant now);

private:
    const CivilZone& zone_;
    AlarmDesk& desk_;
    const LinkFact& link_;
};

}  // namespace tickledger
