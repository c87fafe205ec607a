// night-flow: did the water stand still at night?
#pragma once

#include "book/alarm_desk.hpp"
#include "book/night_times.hpp"
#include "book/undecided_nights.hpp"

namespace tickledger {

/// The night at hand is the first one that booked spans have not reached the end of. Where the clock passes
/// it, it is undecided for now, and the clock runs ahead of it, over however many nights in one step; what is
/// booked later decides them.
class NightWatch {
public:
    NightWatch(const CivilZone& zone, Ledger& ledger, AlarmDesk& desk)
        : zone_(zone), ledger_(ledger), desk_(desk), undecided_(zone, ledger) {}

    /// Begins with the first night that ends after `t`.
    void begin(Account& account, Instant t);
    /// Follows a new entry: judges each night that it completes and clears the alarm where the water has
    /// stood still since. Throws StoreFailure.
    void follow(Account& account, const Entry& entry);
    /// When the clock passes the next night, if no entry completes it before.
    [[nodiscard]] static std::optional<Instant> deadline(const Account& account);
    /// The clock runs to `until`, at or after the deadline: passes all nights that it is due to pass by then.
    /// Throws StoreFailure.
    void pass(Account& account, Instant until);
    /// Decides anew the nights that a part of the past lies in, after it became finer. Throws StoreFailure.
    void look_again(Account& account, Span changed);

private:
    /// Decides the nights from that at hand to the one that ends at `to`, all of one verdict.
    void decide(Account& account, Verdict verdict, Instant to);
    void decide_again(Account& account, Verdict verdict, Span nights);
    /// What was told after the clock had passed the night at hand decides it as soon as it can.
    void decide_what_was_passed(Account& account);
    [[nodiscard]] Verdict verdict_of_past(const Account& account, Span& nights);
    void follow_stillness(Account& account, const Entry& entry);
    /// When the water had first stood still for long enough after `t`, by what is booked.
    [[nodiscard]] std::optional<Instant> stillness_after(const Account& account, Instant t);
    [[nodiscard]] Evidence evidence(const Account& account, Span night, bool is_late);

    const CivilZone& zone_;
    Ledger& ledger_;
    AlarmDesk& desk_;
    UndecidedNights undecided_;
};

}  // namespace tickledger
