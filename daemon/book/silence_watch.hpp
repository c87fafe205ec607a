// node-silent: nothing was heard from a node for too long while the link was up.
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

    /// A message came that had not waited at the broker. A node that speaks too seldom is one alarm: it is
    /// over when no gap has been long for a while. Throws StoreFailure.
    void hear(Account& account, Instant at);
    /// When the alarm is raised if nothing is heard before.
    [[nodiscard]] std::optional<Instant> deadline(const Account& account) const;
    /// Raises it. Throws StoreFailure.
    void raise(Account& account, Instant now);

private:
    const CivilZone& zone_;
    AlarmDesk& desk_;
    const LinkFact& link_;
};

}  // namespace tickledger
