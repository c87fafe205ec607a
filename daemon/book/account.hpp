// Everything remembered of one meter between two messages.
#pragma once

#include <array>
#include <cstdint>
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

/// A node's number for a message, with its boot.
struct MessageNumber {
    std::uint64_t boot = 0;
    std::uint64_t seq = 0;
    bool operator==(const MessageNumber&) const = default;
};

/// Messages of one boot whose numbers follow one another.
struct NumberRun {
    MessageNumber first;
    std::uint64_t count = 0;  ///< What the first one told.
    std::uint64_t more = 0;   ///< So many after the first.
    bool operator==(const NumberRun&) const = default;
};

/// A SenML pack that came lately: one identical to it is a redelivery.
struct RecentPack {
    std::uint64_t fingerprint = 0;
    Instant arrived_at{};
};

/// The message behind a held reading, for the list of refused messages should it turn out a stray.
struct HeldMessage {
    Instant arrived_at{};
    std::string topic;
    std::string payload;
};

/// A reading that is not booked yet: whether it had waited at the node, only what follows tells.
struct KeptReading {
    Reading reading;
    HeldMessage message;
};

/// What a node sent after a silence, while it may be the backlog of that silence (book/node_backlog.hpp).
struct NodeBacklog {
    std::vector<KeptReading> readings;
    /// They came so close together that they had waited.
    bool is_burst = false;
    /// The last thing that was booked was such a burst.
    bool follows_burst = false;
    /// So many readings of it are booked already.
    std::uint64_t booked = 0;
};

/// A pulse value that a calibration applied, from a civil midnight on.
struct AppliedPulseValue {
    Instant from{};
    std::int64_t numerator = 1;
    std::int64_t denominator = 1;
};

/// What a meter's register is made of beside its ticks.
struct RegisterMemory {
    /// The first booked reading: the register starts there.
    std::optional<Instant> first_at;
    /// What the register showed then, in microlitres, where a reading by eye told it.
    std::optional<std::int64_t> start_ul;
    /// The newest reading by eye.
    std::optional<Instant> read_by_eye_at;
    std::vector<AppliedPulseValue> pulse_values;
};

/// What people told of being away. Their word counts until they say otherwise, or until the configuration is
/// changed after it.
struct ToldAway {
    /// The time of absence; no `from`: at home, no `to`: until told otherwise.
    std::optional<Instant> from;
    std::optional<Instant> to;
    /// What the configuration said then.
    bool configured = false;
};

/// An entry in which the register ran back.
struct RanBack {
    Span span;
    std::int64_t ticks = 0;  ///< How many; positive.
    bool operator==(const RanBack&) const = default;
};

/// The part that is kept in the ledger, in the same transaction as what the messages caused. Its lists are
/// short and nearly always empty, and an empty vector takes no room beside itself.
struct AccountMemory {
    CounterState counter;
    std::int64_t total_ticks = 0;
    RegisterMemory meter_register;
    /// Intervals, hours and days that end here or before are closed.
    std::optional<Instant> closed_until;
    /// The last sign of life: the arrival of a message that had not waited at the broker.
    std::optional<Instant> heard_at;
    /// While the node is told to be silent: since when it has been heard again without a long gap.
    std::optional<Instant> heard_since;
    std::optional<ToldAway> away;
    /// The last booked span that covers, for the present flow.
    std::optional<Span> last_span;
    std::int64_t last_span_ticks = 0;
    /// Begin of the tick-free stretch that lasts up to the newest entry.
    std::optional<Instant> still_since;
    /// The night at hand: the first one that booked spans have not reached the end of.
    std::optional<Stillness> night;
    /// The next night that the clock passes, where it has run ahead of the night at hand: those before it are
    /// undecided for now.
    std::optional<Span> clock_night;
    /// The evidence for a slow leak so far, and the period of the one that was told.
    Seldom<SlowLeak> slow_leak;
    std::optional<Duration> slow_leak_period;
    HighFlow high_flow;
    LongDraw long_draw;
    /// Strays, presets and gaps of the last day, at most as many as are worth telling.
    std::vector<Instant> faults;
    /// What ran back within a day.
    std::vector<RanBack> ran_back;
    /// Watched for stagnation: no water was drawn since, and when it was last, where that is known.
    std::optional<Instant> undrawn_since;
    std::optional<Span> last_drawn;
    std::vector<RecentPack> recent_packs;
    /// Messages that came and booked nothing (held and dropped, or waited and no news), while their numbers
    /// lie ahead of the last one accepted.
    std::vector<NumberRun> set_aside;
    /// The node's clock was not believed at its last message.
    bool clock_disbelieved = false;
    Seldom<HeldMessage> held_message;
    Seldom<NodeBacklog> backlog;
    /// The node is known to speak more than twice as often as its cadence tells.
    bool speaks_faster = false;
};

/// A short record (docs/ledger-format.md), stable: equal memories give equal records.
[[nodiscard]] std::string to_record(const AccountMemory& memory);
/// Reads a record, or the JSON text that ledgers before version 9 hold. Fails on anything else.
[[nodiscard]] Result<AccountMemory> memory_from_record(std::string_view record);

/// The time of absence by the newest word, people's or the configuration's, from the least to the greatest
/// Instant where it has no ends; nothing: they are at home.
[[nodiscard]] std::optional<Span> absence(const std::optional<ToldAway>& told, const AlarmSettings& settings);

/// A row of a series, as it will be written at the end of the batch.
struct OpenRow {
    std::optional<Instant> start;  ///< Nothing: there is none here.
    std::optional<Row> row;        ///< Nothing: none is stored.
    bool is_changed = false;
};

/// What the settings of a meter say, worked out once for all meters of a pattern.
struct MeterRules {
    /// The settings must outlive it.
    MeterRules(const MeterSettings& meter_settings, const CivilZone& zone)
        : settings(meter_settings), rules(settings), rows(zone, settings.interval) {}

    const MeterSettings& settings;
    CounterRules rules;
    RowFinder rows;
};

/// An account is awake while its meter's messages come: then it has its memory and its rows at hand as they
/// are worked with. Asleep it has them as the bytes that the ledger has; whoever looks at them wakes it.
class Account {
public:
    /// A meter of which nothing is known, or what its record tells. The rules must outlive it.
    Account(MeterKey meter_key, std::string meter_id, MeterRules& meter_rules, std::string record = {});

    MeterKey key;
    std::string id;
    /// A pattern's are those of all its meters, and their id is the pattern's.
    const MeterSettings& settings;
    const CounterRules& rules;
    RowFinder& rows;
    /// Alarms whose condition holds, or that are shelved: at most one of a kind, its newest.
    std::map<AlarmKind, Alarm> open_alarms;

    /// Its `now` was last told at this moment of the ledger's clock.
    Instant now_told_at = Instant::min();
    /// Where Deadlines holds a place for it: no later than its next deadline.
    std::optional<Instant> scheduled_at;
    // Of the open batch.
    bool is_changed = false;  ///< Its memory must be written.
    bool has_news = false;    ///< Its `now` must be published; it may wait for its turn.

    // Waking it throws StoreFailure where the record is damaged. References hold until it sleeps.
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
    /// The record of its memory, as it is to be written now.
    [[nodiscard]] const std::string& write_record();
    /// Precondition: its memory is as it was when its record was written, and its rows are written.
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

    mutable std::unique_ptr<Awake> awake_;
    /// Its record, of so many bytes; then, where it has slept since that was written, its rows at hand.
    std::string bytes_;
    std::uint32_t record_bytes_ = 0;
};

}  // namespace tickledger
