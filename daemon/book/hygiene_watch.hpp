// backflow and stagnation: the alarms that concern the quality of drinking water.
#pragma once

#include "book/alarm_desk.hpp"

namespace tickledger {

class HygieneWatch {
public:
    /// How many ticks may run back within a day before the alarm is raised. A register that trembles around a
    /// tick, and water that expands when heated, go back and forth by one or two.
    static constexpr std::int64_t ran_back_allowed = 2;
    static constexpr Duration ran_back_within = std::chrono::hours{24};

    HygieneWatch(const CivilZone& zone, AlarmDesk& desk) : zone_(zone), desk_(desk) {}

    /// Follows a new entry. Throws StoreFailure.
    void follow(Account& account, const Entry& entry);

private:
    void follow_backflow(Account& account, const Entry& entry);
    void follow_stagnation(Account& account, const Entry& entry);
    [[nodiscard]] Evidence evidence_of_backflow(const Account& account, std::int64_t ticks) const;
    [[nodiscard]] Evidence evidence_of_stagnation(const Account& account) const;

    const CivilZone& zone_;
    AlarmDesk& desk_;
};

}  // namespace tickledger
