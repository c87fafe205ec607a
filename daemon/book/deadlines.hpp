// What time brings when no message does: intervals close, nights are judged, silence is noticed, a shelving
// ends.
//
// Deadlines are met at their own moment, before any event that is later, so that it makes no difference when,
// or how often, the clock was looked at. Of a silence nothing happens at each interval's and each night's own
// moment, so that they are met in one step, however many they are.
#pragma once

#include <cstdint>
#include <functional>
#include <optional>
#include <queue>
#include <utility>
#include <vector>

#include "book/accounts.hpp"
#include "book/message_desk.hpp"
#include "book/posting.hpp"

namespace tickledger {

class Deadlines {
public:
    Deadlines(Accounts& accounts, AlarmDesk& desk, Watches& watches, Posting& posting, MessageDesk& messages)
        : accounts_(accounts), desk_(desk), watches_(watches), posting_(posting), messages_(messages) {}

    /// Takes note of the next deadline of an account, after it has changed.
    void schedule(Account& account);
    /// Of all accounts, after they were loaded or the link came up.
    void schedule_all();
    /// The accounts that there were are gone.
    void forget() { schedule_ = {}; }

    /// Meets every deadline up to this moment, in order of time. Throws StoreFailure.
    void meet_until(Instant moment);
    /// How many were met since the start: a silence of any length meets few.
    [[nodiscard]] std::uint64_t met() const { return met_; }
    /// Whether there may be any. (A deadline that has moved on since may turn out to be none.)
    [[nodiscard]] bool has_any_until(Instant moment) const {
        return !schedule_.empty() && schedule_.top().first <= moment;
    }

private:
    [[nodiscard]] std::optional<Instant> next_of(Account& account) const;
    /// The clock runs to `until`, with no event before.
    void meet(Account& account, Instant deadline, Instant until);
    void close_intervals(Account& account, Instant until);

    Accounts& accounts_;
    AlarmDesk& desk_;
    Watches& watches_;
    Posting& posting_;
    MessageDesk& messages_;
    /// The earliest first. A place that an account does not hold any more is passed over.
    using Place = std::pair<Instant, MeterKey>;
    std::priority_queue<Place, std::vector<Place>, std::greater<>> schedule_;
    std::uint64_t met_ = 0;
};

}  // namespace tickledger
