// The slow-leak alarm: a leak whose ticks come too seldom to show in one night.
#pragma once

#include "book/alarm_desk.hpp"

namespace tickledger {

class SlowWatch {
public:
    SlowWatch(const CivilZone& zone, AlarmDesk& desk) : zone_(zone), desk_(desk) {}

    /// Follows a new entry. Raises the alarm with the tick that completes the evidence. Clears it at the
    /// first stillness that is longer than such a leak allows. Throws StoreFailure.
    void follow(Account& account, const Entry& entry);

private:
    [[nodiscard]] Evidence evidence(const Account& account, const SlowLeak::Finding& finding, Instant at);

    const CivilZone& zone_;
    AlarmDesk& desk_;
};

}  // namespace tickledger
