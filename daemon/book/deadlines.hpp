// What happens because time passes, without a message: intervals close, nights are judged, a silent node is
// noticed, a shelving ends.
//
// Each deadline is met at its own moment, before any later event. So the result does not depend on when or
// how often the clock was looked at. During a silence nothing happens at the moments of the individual
// intervals and nights, so they are met in one step, however many there are.
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

    /// Notes the next deadline of an account. Call it after the account has changed.
    void schedule(Account& account);
    /// Notes the deadlines of all accounts. Call it after they were loaded or the link came up.
    void schedule_all();
    /// Drops all deadlines, because the accounts no longer exist.
    void forget() { schedule_ = {}; }

    /// Meets every deadline up to this moment, in order of time. Throws StoreFailure.
    void meet_until(Instant moment);
    /// How many deadlines were met since the start. A silence of any length adds only a few.
    [[nodiscard]] std::uint64_t met() const { return met_; }
    /// Whether there may be a deadline up to this moment. (A deadline that has moved on since still counts.)
    [[nodiscard]] bool has_any_until(Instant moment) const {
        return !schedule_.empty() && schedule_.top().first <= moment;
    }

private:
    [[nodiscard]] std::optional<Instant> next_of(Account& account) const;
    /// Meets what is due at `deadline`. The clock runs on to `until`, and no event comes before that.
    void meet(Account& account, Instant deadline, Instant until);
    void close_intervals(Account& account, Instant until);

    Accounts& accounts_;
    AlarmDesk& desk_;
    Watches& watches_;
    Posting& posting_;
    MessageDesk& messages_;
    /// The earliest first. A place that its account no longer holds is skipped.
    using Place = std::pair<Instant, MeterKey>;
    std::priority_queue<Place, std::vector<Place>, std::greater<>> schedule_;
    std::uint64_t met_ = 0;
};

}  // namespace tickledger
