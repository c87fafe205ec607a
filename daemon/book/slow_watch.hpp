// slow-leak: a leak that ticks too seldom for one night to show it.
#pragma once

#include "book/alarm_desk.hpp"

namespace tickledger {

class SlowWatch {
public:
    SlowWatch(const CivilZone& zone, AlarmDesk& desk) : zone_(zone), desk_(desk) {}

    /// Follows a new entry: raises the alarm with the tick that completes the evidence, clears it with the
    /// first stillness longer than that leak leaves. Throws StoreFailure.
    void follow(Account& account, const Entry& entry);

private:
    [[nodiscard]] Evidence evidence(const Account& account, const SlowLeak::Finding& finding, Instant at);

    const CivilZone& zone_;
    AlarmDesk& desk_;
};

}  // namespace tickledger
