// The night-flow alarm: did the water stand still at night?
#pragma once

#include "book/alarm_desk.hpp"
#include "book/night_times.hpp"
#include "book/undecided_nights.hpp"

namespace tickledger {

/// The current night is the first one whose end the booked spans have not reached. If the clock passes a
/// night before its entries are booked, the night is undecided for now. The clock may run ahead of the
/// current night over any number of nights in one step. Entries that are booked later decide these nights.
class NightWatch {
public:
    NightWatch(const CivilZone& zone, Ledger& ledger, AlarmDesk& desk)
        : zone_(zone), ledger_(ledger), desk_(desk), undecided_(zone, ledger) {}

    /// Starts with the first night that ends after `t`.
    void begin(Account& account, Instant t);
    /// Follows a new entry. Judges each night that it completes, and clears the alarm once the water has
    /// stood still for long enough. Throws StoreFailure.
    void follow(Account& account, const Entry& entry);
    /// When the clock passes the next night, unless an entry completes that night before.
    [[nodiscard]] static std::optional<Instant> deadline(const Account& account);
    /// Runs the clock to `until`, which is at or after the deadline: passes all nights that are due by then.
    /// Throws StoreFailure.
    void pass(Account& account, Instant until);
    /// Judges the nights again that overlap `changed`, a part of the past that became finer. Throws
    /// StoreFailure.
    void look_again(Account& account, Span changed);

private:
    /// Gives all nights from the current one to the one that ends at `to` the same verdict.
    void decide(Account& account, Verdict verdict, Instant to);
    void decide_again(Account& account, Verdict verdict, Span nights);
    /// If the clock has passed the current night, decides the night as soon as its entries allow.
    void decide_what_was_passed(Account& account);
    [[nodiscard]] Verdict verdict_of_past(const Account& account, Span& nights);
    void follow_stillness(Account& account, const Entry& entry);
    /// The first moment after `t` at which the water had stood still for long enough, by the booked entries.
    [[nodiscard]] std::optional<Instant> stillness_after(const Account& account, Instant t);
    [[nodiscard]] Evidence evidence(const Account& account, Span night, bool is_late);

    const CivilZone& zone_;
    Ledger& ledger_;
    AlarmDesk& desk_;
    UndecidedNights undecided_;
};

}  // namespace tickledger
