// night-flow: did the water stand still at night?
#pragma once

#include "book/alarm_desk.hpp"

namespace tickledger {

/// The first night of a meter that ends after `t`.
[[nodiscard]] Span night_after(const CivilZone& zone, const AlarmSettings& alarms, Instant t);

class NightWatch {
public:
    NightWatch(const CivilZone& zone, Ledger& ledger, AlarmDesk& desk)
        : zone_(zone), ledger_(ledger), desk_(desk) {}

    /// Begins with the first night that ends after `t`.
    void begin(Account& account, Instant t);
    /// Follows a new entry: judges each night that it completes and clears the alarm where the water has
    /// stood still since. Throws StoreFailure.
    void follow(Account& account, const Entry& entry);
    /// When the night at hand is judged by the clock, if no entry completes it before.
    [[nodiscard]] static std::optional<Instant> deadline(const Account& account);
    /// Judges the night at hand with what was seen of it. Throws StoreFailure.
    void judge(Account& account);
    /// Looks at the night at hand anew, after the past became finer. Throws StoreFailure.
    void look_again(Account& account, Span changed);

private:
    void follow_stillness(Account& account, const Entry& entry);
    [[nodiscard]] Evidence evidence(const Account& account, Span night);

    const CivilZone& zone_;
    Ledger& ledger_;
    AlarmDesk& desk_;
};

}  // namespace tickledger
