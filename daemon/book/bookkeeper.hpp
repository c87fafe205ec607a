// The one writer of the ledger: events in, in the order of the message log; entries, rows, alarms and
// publications out, in one transaction a batch.
#pragma once

#include <functional>
#include <nlohmann/json_fwd.hpp>
#include <set>
#include <span>
#include <string>
#include <utility>
#include <vector>

#include "book/accounts.hpp"
#include "book/alarm_desk.hpp"
#include "book/backlog_detector.hpp"
#include "book/night_watch.hpp"
#include "book/outbox.hpp"
#include "book/register_rules.hpp"
#include "book/row_cache.hpp"
#include "book/slow_watch.hpp"
#include "book/use_watch.hpp"
#include "store/ledger.hpp"
#include "store/message_log.hpp"
#include "store/recording.hpp"
#include "tickledger/pulse_value.hpp"

namespace tickledger {

/// What became of messages since the ledger began.
struct MessageCounts {
    std::uint64_t booked = 0;  ///< Looked at and settled, whatever came of it.
    std::uint64_t unreadable = 0;
    std::uint64_t stray = 0;
    std::uint64_t late_refused = 0;
    std::uint64_t without_meter = 0;
};

/// The link to the broker, as the log tells it.
struct LinkFact {
    bool up = true;
    std::optional<Instant> since;
};

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

class Bookkeeper {
public:
    /// `meters` must outlive this; their patterns open no more than `max_meters` accounts in all.
    Bookkeeper(const std::vector<MeterSettings>& meters, CivilZone zone, Ledger& ledger,
               Publishing publishing, std::size_t max_meters);

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
        return !schedule_.empty() && schedule_.begin()->first <= moment;
    }

    /// Packs some of the oldest readings and hours, of a day that ended before this moment, in a transaction
    /// of its own. Returns whether there were any; no answer of the ledger changes.
    [[nodiscard]] Result<bool> pack_oldest_day(Instant before);

    /// Removes fine detail that ended before this moment; hours, days and alarms stay.
    [[nodiscard]] Result<void> remove_fine_detail(Instant before);

    /// Queues what is still true at the end of a replay.
    [[nodiscard]] Result<void> publish_last_state();

    /// Who hears of what is published, once it is committed; null: nobody. Must outlive this.
    void tell_to(Audience* audience) { outbox_.tell_to(audience); }

    [[nodiscard]] const MessageCounts& counts() const { return counts_; }
    /// As Accounts tells it.
    [[nodiscard]] const std::string& turned_away() const { return accounts_.turned_away(); }
    /// The moment up to which everything is settled: no deadline before it is open.
    [[nodiscard]] std::optional<Instant> settled_until() const { return settled_until_; }

private:
    [[nodiscard]] Result<void> in_transaction(const std::function<void()>& work);
    void take(const Delivery& delivery);
    void take_message(const Message& message, const Delivery& delivery);
    void take_link(const LinkChange& change);
    void take_instruction(const Instruction& instruction);
    void take_payload(Account& account, const Message& message, const Delivery& delivery);
    void take_reading(Account& account, const Reading& reading, const Message& message,
                      const Delivery& delivery);
    [[nodiscard]] Circumstances circumstances(const Account& account, const Reading& reading,
                                              const Message& message, const Delivery& delivery);
    void settle(Account& account, const Booking& booking, const CounterState& before, const Message& message);
    void settle_late(Account& account, const Reading& reading, const Booking& booking,
                     const Message& message);
    void remember_waited(Account& account, const Reading& reading, const Circumstances& came);
    static void put_aside(Account& account, const MessageNumber& number);
    void set_aside(Account& account, const CounterState& before, const Booking& booking);
    void note_passed(const Account& account, const MessageNumber& number);
    void remember_order(const Account& account, const CounterState& before, const Booking& booking);
    /// Keeps a message apart. False: it is there already.
    bool refuse(Account& account, Refusal reason, Instant at, const std::string& topic,
                const std::string& payload, const std::string& text);

    void add(Account& account, std::span<const Entry> entries);
    void replace(Account& account, const Entry& entry, std::span<const Entry> parts);
    void publish_corrections(const Account& account, const std::vector<ChangedRow>& changed, Duration span);
    void close_until(Account& account, Instant until, bool publishes_intervals);
    void publish_day(const Account& account, Span day);
    [[nodiscard]] std::string publication_of(const Account& account, Span span,
                                             const std::optional<Row>& row);
    void publish_now(Account& account);
    [[nodiscard]] std::vector<ValuedTicks> value_row(const Account& account, Span row, std::int64_t ticks);
    [[nodiscard]] Result<std::int64_t> ticks_of_row(const Account& account, Step step, Instant begin);

    // What people tell; each does nothing where it was told before or can not be.
    void read_register(Account& account, const nlohmann::json& order, Instant now);
    void take_back_reading(Account& account, const nlohmann::json& order, Instant now);
    void apply_pulse_value(Account& account, const nlohmann::json& order, Instant now);
    void acknowledge_alarm(Account& account, const nlohmann::json& order, Instant now);
    void shelve_alarm(Account& account, const nlohmann::json& order, Instant now);
    void unshelve_alarm(Account& account, const nlohmann::json& order, Instant now);
    void set_away(Account& account, const nlohmann::json& order, Instant now);

    void follow_register(Account& account, std::span<const Entry> removed, std::span<const Entry> added);
    void adjust(Account& account, std::vector<RegisterReading> readings, std::vector<RegisterReading> booked,
                std::size_t place);
    void book_adjustments(Account& account, const std::vector<RegisterReading>& readings,
                          const std::vector<RegisterReading>& booked);
    [[nodiscard]] std::int64_t register_at(Account& account, const PulseValues& values,
                                           std::span<const RegisterReading> until,
                                           std::span<const RegisterReading> booked, Ratio start_l);
    [[nodiscard]] static std::int64_t adjusted_before(Account& account,
                                                      std::span<const RegisterReading> readings,
                                                      Instant midnight);
    [[nodiscard]] std::vector<RegisterReading> readings_of(const Account& account);
    [[nodiscard]] RegisterBasis register_basis(const Account& account,
                                               std::span<const RegisterReading> readings) const;
    void revise_from(Account& account, Instant from);

    void run_clock(Instant until);
    void schedule(Account& account);
    [[nodiscard]] std::optional<Instant> silence_deadline(const Account& account) const;
    [[nodiscard]] std::optional<Instant> closing_deadline(Account& account) const;
    [[nodiscard]] std::optional<Instant> next_deadline(Account& account) const;
    void meet_deadline(Account& account, Instant deadline);
    void tell_silence(Account& account, Instant now);
    void heard(Account& account, Instant at);

    void keep_fine_detail_from(Instant before);
    void finish(const LogPosition& next);
    void load_all();
    void write_facts();

    const CivilZone zone_;
    Ledger& ledger_;
    Outbox outbox_;
    Accounts accounts_;
    RowCache rows_;
    AlarmDesk desk_;
    NightWatch night_watch_;
    SlowWatch slow_watch_;
    UseWatch use_watch_;
    LinkFact link_;
    MessageCounts counts_;
    bool is_loaded_ = false;
    std::optional<Instant> settled_until_;
    std::optional<Instant> fine_detail_from_;
    std::set<std::pair<Instant, MeterKey>> schedule_;
};

}  // namespace tickledger
