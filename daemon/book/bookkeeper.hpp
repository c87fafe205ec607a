// The one writer of the ledger: events in, in the order of the message log; entries, rows, alarms and
// publications out, in one transaction a batch.
#pragma once

#include <functional>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "book/accounts.hpp"
#include "book/alarm_desk.hpp"
#include "book/backlog_detector.hpp"
#include "book/deadlines.hpp"
#include "book/history_desk.hpp"
#include "book/instructions.hpp"
#include "book/ledger_facts.hpp"
#include "book/message_desk.hpp"
#include "book/outbox.hpp"
#include "book/posting.hpp"
#include "book/publications.hpp"
#include "book/register_follower.hpp"
#include "book/row_cache.hpp"
#include "book/watches.hpp"
#include "store/ledger.hpp"
#include "store/message_log.hpp"
#include "store/recording.hpp"

namespace tickledger {

/// What is booked in one transaction.
struct Batch {
    std::span<const Delivery> deliveries{};
    /// The place in the log after the last of them.
    LogPosition next{};
    /// Then the clock runs to here: not later than any event that is still to come.
    std::optional<Instant> until{};
    /// Publications that the broker has: they leave the outbox.
    std::span<const std::int64_t> published{};
};

struct UnmatchedMessage {
    std::string topic;
    Instant arrived_at{};
};

class Bookkeeper {
public:
    /// `meters` must outlive this; their patterns open no more than `max_meters` accounts in all.
    Bookkeeper(const std::vector<MeterSettings>& meters, CivilZone zone, Ledger& ledger,
               Publishing publishing, std::size_t max_meters);
    // Its parts refer to each other.
    Bookkeeper(const Bookkeeper&) = delete;
    Bookkeeper& operator=(const Bookkeeper&) = delete;

    /// Takes up the accounts where the ledger left them. To be called first.
    [[nodiscard]] Result<void> load();
    /// The same under other settings, as a new start with them would. Where that fails, the next batch does
    /// it first.
    [[nodiscard]] Result<void> load(const std::vector<MeterSettings>& meters, std::size_t max_meters);

    /// Books a batch in one transaction. On failure nothing has changed in the ledger or here: the same batch
    /// may be offered again.
    [[nodiscard]] Result<void> book(const Batch& batch);

    /// True where running the clock to this moment would change something.
    [[nodiscard]] bool has_deadline_until(Instant moment) const {
        return deadlines_.has_any_until(moment) || (now_due_ && *now_due_ <= moment);
    }

    /// As Deadlines tells it.
    [[nodiscard]] std::uint64_t deadlines_met() const { return deadlines_.met(); }

    /// As Ledger::pack_oldest, in a transaction of its own.
    [[nodiscard]] Result<bool> pack_oldest(Instant before);

    /// Removes fine detail that ended before this moment, of days after which so many were seen; hours, days
    /// and alarms stay.
    [[nodiscard]] Result<void> remove_fine_detail(Instant before, std::int64_t later_days = 0);

    /// Books what is kept for the next message to decide about, as nothing more will come.
    [[nodiscard]] Result<void> end_recording();

    /// Queues what is still true at the end of a replay.
    [[nodiscard]] Result<void> publish_last_state();

    /// So many accounts stay awake between two batches (book/accounts.hpp).
    void keep_awake(std::size_t awake_max) { accounts_.keep_awake(awake_max); }

    /// Who hears of what is published, once it is committed; null: nobody. Must outlive this.
    void tell_to(Audience* audience) { outbox_.tell_to(audience); }

    [[nodiscard]] const MessageCounts& counts() const { return facts_.counts; }
    /// What of the batches so far books nothing, once each; after a batch that failed, nothing of it.
    [[nodiscard]] std::vector<OddMessage> take_odd() { return odd_.take(); }
    /// The newest message that belongs to no meter, since the settings were taken up.
    [[nodiscard]] const std::optional<UnmatchedMessage>& unmatched() const { return unmatched_; }
    /// As Accounts tells it.
    [[nodiscard]] const std::string& turned_away() const { return accounts_.turned_away(); }
    /// Every deadline up to this moment is met.
    [[nodiscard]] std::optional<Instant> settled_until() const { return facts_.settled_until; }

private:
    [[nodiscard]] Result<void> in_transaction(const std::function<void()>& work);
    void load_all();
    void take(const Delivery& delivery);
    void take_message(const Message& message, const Delivery& delivery);
    void take_link(const LinkChange& change);
    void run_clock(Instant until);
    void finish(const LogPosition& next);
    void tell_now();
    void owe_now();

    const CivilZone zone_;
    Ledger& ledger_;
    LedgerFacts facts_;
    bool is_loaded_ = false;
    OddMessages odd_;
    std::optional<UnmatchedMessage> unmatched_;
    /// When the next account's `now` may be told that waits for its turn.
    std::optional<Instant> now_due_;

    // Each uses those above it.
    Outbox outbox_;
    Accounts accounts_;
    RowCache rows_;
    AlarmDesk desk_;
    Watches watches_;
    Publications publications_;
    RegisterFollower follower_;
    Posting posting_;
    MessageDesk messages_;
    Deadlines deadlines_;
    HistoryDesk history_;
    Instructions instructions_;
};

}  // namespace tickledger
