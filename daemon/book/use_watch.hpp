// The alarms high-flow, long-draw, away-use and counter-fault. Each is raised with the first message that
// proves it.
#pragma once

#include "book/alarm_desk.hpp"

namespace tickledger {

class UseWatch {
public:
    UseWatch(const CivilZone& zone, AlarmDesk& desk) : zone_(zone), desk_(desk) {}

    /// Follows a new entry. Call it after the account's stillness was updated (NightWatch). Throws
    /// StoreFailure.
    void follow(Account& account, const Entry& entry);
    /// A reading turned out to be a stray. Throws StoreFailure.
    void stray(Account& account, Instant at);

private:
    void follow_high_flow(Account& account, const Entry& entry);
    void follow_long_draw(Account& account, const Entry& entry);
    void follow_away(Account& account, const Entry& entry);
    void follow_faults(Account& account, const Entry& entry);
    void fault(Account& account, Instant at, bool at_once, const std::string& what);

    const CivilZone& zone_;
    AlarmDesk& desk_;
};

}  // namespace tickledger
