// The one writer of the ledger. It takes events in the order of the message log, and writes entries, rows,
// alarms and publications, with one transaction for each batch.
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

/// The work of one transaction.
struct Batch {
    std::span<const Delivery> deliveries{};
    /// The place in the log after the last delivery.
    LogPosition next{};
    /// After the deliveries, the clock runs to this moment. It must not be later than any event still to
    /// come.
    std::optional<Instant> until{};
    /// Publications that the broker has acknowledged. They leave the outbox.
    std::span<const std::int64_t> published{};
};

struct UnmatchedMessage {
    std::string topic;
    Instant arrived_at{};
};

class Bookkeeper {
public:
    /// `meters` must outlive this. Patterns open no account while there are `max_meters` or more.
    Bookkeeper(const std::vector<MeterSettings>& meters, CivilZone zone, Ledger& ledger,
               Publishing publishing, std::size_t max_meters);
    // Its parts refer to each other.
    Bookkeeper(const Bookkeeper&) = delete;
    Bookkeeper& operator=(const Bookkeeper&) = delete;

    /// Loads the accounts from the ledger. Must be called first.
    [[nodiscard]] Result<void> load();
    /// The same with other settings, as a restart with them would do. If it fails, the next batch tries it
    /// again first.
    [[nodiscard]] Result<void> load(const std::vector<MeterSettings>& meters, std::size_t max_meters);

    /// Books a batch in one transaction. If it fails, nothing has changed in the ledger or here, and the same
    /// batch may be offered again.
    [[nodiscard]] Result<void> book(const Batch& batch);

    /// Whether running the clock to this moment would change something.
    [[nodiscard]] bool has_deadline_until(Instant moment) const {
        return deadlines_.has_any_until(moment) || (now_due_ && *now_due_ <= moment);
    }

    /// As Deadlines::met.
    [[nodiscard]] std::uint64_t deadlines_met() const { return deadlines_.met(); }

    /// As Ledger::pack_oldest, in a transaction of its own.
    [[nodiscard]] Result<bool> pack_oldest(Instant before);

    /// Removes the fine detail of days that ended at or before `before` and that have at least `later_days`
    /// later days with rows. Hours, days and alarms stay.
    [[nodiscard]] Result<void> remove_fine_detail(Instant before, std::int64_t later_days = 0);

    /// Books the readings that wait for the next message to decide about them. Call it at the end of a
    /// recording.
    [[nodiscard]] Result<void> end_recording();

    /// Queues the publications that are still true at the end of a replay.
    [[nodiscard]] Result<void> publish_last_state();

    /// How many accounts stay awake between two batches (book/accounts.hpp).
    void keep_awake(std::size_t awake_max) { accounts_.keep_awake(awake_max); }

    /// Who hears what is published, once it is committed. Null: nobody. Must outlive this.
    void tell_to(Audience* audience) { outbox_.tell_to(audience); }

    [[nodiscard]] const MessageCounts& counts() const { return facts_.counts; }
    /// The odd messages since the last call. A batch that fails drops them.
    [[nodiscard]] std::vector<OddMessage> take_odd() { return odd_.take(); }
    /// The newest message that belongs to no meter under the present settings.
    [[nodiscard]] const std::optional<UnmatchedMessage>& unmatched() const { return unmatched_; }
    /// As Accounts::turned_away.
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
    /// When the next `now` that waits for its turn may be published.
    std::optional<Instant> now_due_;

    // Each part uses those above it.
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
