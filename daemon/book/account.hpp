// What the daemon remembers of one meter between two messages, and the account that holds it.
#pragma once

#include <array>
#include <cstdint>
#include <deque>
#include <map>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "book/seldom.hpp"
#include "store/ledger.hpp"
#include "tickledger/alarm.hpp"
#include "tickledger/civil.hpp"
#include "tickledger/counter.hpp"
#include "tickledger/meter.hpp"
#include "tickledger/running_water.hpp"
#include "tickledger/slow_leak.hpp"
#include "tickledger/stillness.hpp"

namespace tickledger {

/// A message's number, as its node counts, and the boot that it belongs to.
struct MessageNumber {
    std::uint64_t boot = 0;
    std::uint64_t seq = 0;
    bool operator==(const MessageNumber&) const = default;
};

/// Messages of one boot with consecutive numbers.
struct NumberRun {
    MessageNumber first;
    std::uint64_t count = 0;  ///< The count in the first message.
    std::uint64_t more = 0;   ///< How many messages follow the first.
    bool operator==(const NumberRun&) const = default;
};

/// A SenML pack that arrived recently. An identical pack is a redelivery.
struct RecentPack {
    std::uint64_t fingerprint = 0;
    Instant arrived_at{};
};

/// The message behind a held reading. It goes into the list of refused messages if the reading turns out to
/// be a stray.
struct HeldMessage {
    Instant arrived_at{};
    std::string topic;
    std::string payload;
};

/// A reading that is not booked yet. Only the next messages show whether it had waited at the node.
struct KeptReading {
    Reading reading;
    HeldMessage message;
};

/// The readings that a node sent after a silence, while they may be the backlog of that silence
/// (book/node_backlog.hpp).
struct NodeBacklog {
    std::vector<KeptReading> readings;
    /// The readings arrived so close together that they must have waited at the node.
    bool is_burst = false;
    /// The last thing that was booked was such a burst.
    bool follows_burst = false;
    /// How many readings of this backlog are booked already.
    std::uint64_t booked = 0;
    /// The broker's retained copy was booked after a silence, before the node itself was heard again: the
    /// arrival of the last message before that silence.
    std::optional<Instant> silent_since{};
};

/// A pulse value that a calibration applied. It is valid from a civil midnight on.
struct AppliedPulseValue {
    Instant from{};
    std::int64_t numerator = 1;
    std::int64_t denominator = 1;
};

/// What makes up a meter's register besides its ticks.
struct RegisterMemory {
    /// The moment of the first booked reading. The register starts there.
    std::optional<Instant> first_at;
    /// What the register showed at that moment, in microlitres, if a reading by eye gave it.
    std::optional<std::int64_t> start_ul;
    /// The moment of the newest reading by eye.
    std::optional<Instant> read_by_eye_at;
    std::vector<AppliedPulseValue> pulse_values;
};

/// What people said about being away. It is valid until they say something else, or until `away` changes in
/// the configuration.
struct ToldAway {
    /// The time of absence. No `from`: at home. No `to`: away until told otherwise.
    std::optional<Instant> from;
    std::optional<Instant> to;
    /// The value of `away` in the configuration at that time.
    bool configured = false;
};

/// An entry in which the register ran backwards.
struct RanBack {
    Span span;
    std::int64_t ticks = 0;  ///< How many; positive.
    bool operator==(const RanBack&) const = default;
};

/// The part of an account that the ledger keeps. It is written in the same transaction as what the messages
/// caused. Its lists are short and nearly always empty, and an empty vector allocates nothing.
struct AccountMemory {
    CounterState counter;
    std::int64_t total_ticks = 0;
    RegisterMemory meter_register;
    /// Intervals, hours and days that end at or before this moment are closed.
    std::optional<Instant> closed_until;
    /// The last sign of life: the arrival of a message that had not waited at the broker.
    std::optional<Instant> heard_at;
    /// While node-silent is active: since when the node has been heard again without a long gap.
    std::optional<Instant> heard_since;
    std::optional<ToldAway> away;
    /// The span of the newest entry, if that entry covers it (Entry::covers). The present flow is computed
    /// from it.
    std::optional<Span> last_span;
    std::int64_t last_span_ticks = 0;
    /// The beginning of the tick-free stretch that lasts up to the newest entry.
    std::optional<Instant> still_since;
    /// The current night: the first one whose end the booked spans have not reached.
    std::optional<Stillness> night;
    /// The next night that the clock will pass, if the clock has run ahead of the current night. The nights
    /// before it are undecided for now.
    std::optional<Span> clock_night;
    /// The evidence for a slow leak so far, and the period of the leak that an active alarm reported.
    Seldom<SlowLeak> slow_leak;
    std::optional<Duration> slow_leak_period;
    HighFlow high_flow;
    LongDraw long_draw;
    /// Times of strays, presets and gaps within the last day, at most as many as are needed to raise
    /// counter-fault.
    std::vector<Instant> faults;
    /// Recent entries in which the register ran backwards (HygieneWatch).
    std::vector<RanBack> ran_back;
    /// For stagnation: since when no water was drawn, and the span of the last draw if it is known.
    std::optional<Instant> undrawn_since;
    std::optional<Span> last_drawn;
    std::vector<RecentPack> recent_packs;
    /// Messages that were held and then dropped without booking anything. Each is kept while its number is
    /// ahead of the last accepted one.
    std::vector<NumberRun> set_aside;
    /// The node's clock was not believed at its last message.
    bool clock_disbelieved = false;
    Seldom<HeldMessage> held_message;
    Seldom<NodeBacklog> backlog;
    /// The node is known to send more than twice as often as its cadence says.
    bool speaks_faster = false;
};

/// A short record (docs/ledger-format.md). It is stable: equal memories give equal records.
[[nodiscard]] std::string to_record(const AccountMemory& memory);
/// Reads a record, or the JSON text that ledgers before version 9 hold. Fails on anything else.
[[nodiscard]] Result<AccountMemory> memory_from_record(std::string_view record);

/// The time of absence by the newest statement, of the people or of the configuration. An open end is the
/// least or the greatest Instant. Nothing: the people are at home.
[[nodiscard]] std::optional<Span> absence(const std::optional<ToldAway>& told, const AlarmSettings& settings);

/// A row of a series, as it will be written at the end of the batch.
struct OpenRow {
    std::optional<Instant> start;  ///< Nothing: no row is open here.
    std::optional<Row> row;        ///< Nothing: no such row is stored.
    bool is_changed = false;
};

/// A meter's settings while one pulse value holds, and what follows from them.
struct MeterInForce {
    const MeterSettings& settings;
    const CounterRules& rules;
};

/// What follows from a meter's settings, worked out once for all meters of a pattern.
class MeterRules {
public:
    /// `meter_settings` must outlive this.
    MeterRules(const MeterSettings& meter_settings, const CivilZone& zone)
        : settings(meter_settings), rules(settings), rows(zone, settings.interval) {}

    const MeterSettings& settings;
    CounterRules rules;
    RowFinder rows;

    /// The same with another pulse value. The result is valid as long as this.
    [[nodiscard]] MeterInForce with(Ratio pulse_value_l);

private:
    /// The settings of a later pulse value. Neither copied nor moved, because `rules` are found by reference.
    struct Later {
        Later(const MeterSettings& first, Ratio pulse_value_l);
        MeterSettings settings;
        CounterRules rules;
    };
    std::deque<Later> later_;
};

/// An account is awake while messages of its meter arrive. It then has its memory and its current rows
/// decoded. A sleeping account holds them as bytes, as the ledger does. Any access to them wakes it.
class Account {
public:
    /// A new meter (empty record), or a meter as its record describes it. `meter_rules` must outlive this.
    Account(MeterKey meter_key, std::string meter_id, MeterRules& meter_rules, std::string record = {});

    MeterKey key;
    std::string id;
    /// In an account of a pattern these are the pattern's settings, and `settings.id` is the pattern's id.
    const MeterSettings& settings;
    /// By the first pulse value, on which only what is plausible depends. For that, see in_force().
    const CounterRules& rules;
    RowFinder& rows;
    /// Alarms whose condition holds or that are shelved: at most one of each kind, the newest.
    std::map<AlarmKind, Alarm> open_alarms;

    /// The moment of the ledger's clock at which its `now` was last published.
    Instant now_told_at = Instant::min();
    /// The moment under which Deadlines lists this account. It is not later than the account's next deadline.
    std::optional<Instant> scheduled_at;
    // State of the open batch:
    bool is_changed = false;  ///< Its memory must be written.
    bool has_news = false;    ///< Its `now` must be published; it may wait for its turn.

    /// The settings and rules by the pulse value of a span: the smallest one that holds in it. The pulse
    /// value changes on dates of the settings, and where a calibration was applied.
    [[nodiscard]] MeterInForce in_force(Span span) const;

    // Waking throws StoreFailure if the record is damaged. References are valid until the account sleeps.
    [[nodiscard]] AccountMemory& memory() { return awake().memory; }
    [[nodiscard]] const AccountMemory& memory() const { return awake().memory; }
    /// The row of this step that changed last.
    [[nodiscard]] OpenRow& open_row(Step step) {
        return awake().open_rows.at(static_cast<std::size_t>(step));
    }
    [[nodiscard]] const OpenRow& open_row(Step step) const {
        return awake().open_rows.at(static_cast<std::size_t>(step));
    }
    void forget_open_rows() { awake().open_rows = {}; }

    [[nodiscard]] bool is_awake() const { return awake_ != nullptr; }
    /// Encodes the memory as a record, ready to be written to the ledger.
    [[nodiscard]] const std::string& write_record();
    /// Precondition: the memory has not changed since its record was written, and its rows are written.
    void sleep();

private:
    struct Awake {
        AccountMemory memory;
        std::array<OpenRow, 5> open_rows;
    };
    [[nodiscard]] Awake& awake() const {
        if (!awake_) wake();
        return *awake_;
    }
    void wake() const;

    MeterRules& meter_rules_;
    mutable std::unique_ptr<Awake> awake_;
    /// The first `record_bytes_` bytes are the record. If the account has slept since it was written, its
    /// open rows follow.
    std::string bytes_;
    std::uint32_t record_bytes_ = 0;
};

}  // namespace tickledger
