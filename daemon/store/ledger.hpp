// The ledger in SQLite, as its one writer sees it. Schema and reasons: docs/ledger-format.md.
#pragma once

#include <cstdint>
#include <filesystem>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "store/history.hpp"
#include "store/message_log.hpp"
#include "store/writer_lock.hpp"
#include "tickledger/alarm.hpp"
#include "tickledger/civil.hpp"
#include "tickledger/counter.hpp"
#include "tickledger/entry.hpp"
#include "tickledger/result.hpp"
#include "tickledger/series.hpp"

namespace tickledger {

/// The ledger's own small number for a meter.
using MeterKey = std::int64_t;

/// One row of a series as stored: sums so far.
struct Row {
    std::int64_t ticks = 0;
    Duration covered{};
    std::int64_t spread_ticks = 0;
    std::int64_t revision = 0;
    bool operator==(const Row&) const = default;
};

struct RowKey {
    MeterKey meter = 0;
    Step step = Step::interval;
    Instant start{};
    auto operator<=>(const RowKey&) const = default;
};

/// A message that was kept apart.
struct Refused {
    MeterKey meter = 0;
    Instant at{};  ///< Its arrival.
    Refusal reason = Refusal::unreadable;
    std::string topic;
    std::string payload;  ///< At most 1 KiB of it; the message log holds the whole.
    std::string text;     ///< Why, in words.
};

/// A publication that waits for the broker.
struct Outgoing {
    std::int64_t id = 0;
    std::string topic;  ///< Below the root: "meters/house/usage".
    std::string payload;
    bool retained = false;
};

/// The messages of one boot, by their numbers.
struct BootRecord {
    std::uint64_t boot = 0;
    std::optional<std::uint64_t> first_seq{};
    std::optional<std::uint64_t> last_seq{};  ///< Known once the boot was left.
};

/// A reading of the register by eye. Volumes in microlitres.
struct RegisterReading {
    Instant at{};
    std::int64_t register_ul = 0;  ///< As it was read.
    std::int64_t given_to_ul = 0;  ///< One unit of the last digit that was told.
    std::int64_t turns = 0;        ///< How often the register had begun again at 0 until then.
    /// It told where the register stood, and nothing was adjusted to it.
    bool starts = false;
    /// Booked ticks, adjustments apart, of entries that end at or before `at`.
    std::int64_t ticks_before = 0;
    /// Those of the entry that `at` lies inside of: any of them may have come before or after it.
    std::int64_t ticks_within = 0;
    /// The adjustment that closes the difference: ticks over (adjusted_from, at]. 0: there is none.
    Instant adjusted_from{};
    std::int64_t adjustment_ticks = 0;
    bool operator==(const RegisterReading&) const = default;
};

struct MeterRecord {
    MeterKey key = 0;
    std::string id;     ///< As configured, patterns resolved: "flat-7".
    std::string state;  ///< The account's memory, as a record; empty for a new meter.
};

/// Where SQLite's index of the write-ahead log lies: in a file that every program shares, or in this process,
/// which spares the disk a mapped page with each commit and shuts other programs out.
enum class WalIndex : std::uint8_t { file, memory };

/// All changes between begin() and commit() stand or fall together. One thread. Every method may fail with
/// the store's words (full disk, damaged file); after a failure call roll_back() and try the batch again.
/// Reads see the open transaction's own changes.
class Ledger {
public:
    /// Opens or creates the file (WAL, synchronous=NORMAL), checks its schema version, takes the
    /// writer's lock (LedgerOpenError tells where another process holds it).
    /// `vfs` names the SQLite VFS to use; empty: the default. A named one, as the simulation's, gets no lock
    /// file and no shared memory: the ledger is then closed to every other connection.
    [[nodiscard]] static tl::expected<std::unique_ptr<Ledger>, LedgerOpenError> open(
        const std::filesystem::path& file, const std::string& vfs = {}, WalIndex index = WalIndex::file);
    ~Ledger();

    /// The file and what SQLite keeps beside it may be removed, moved or replaced under a running daemon:
    /// then all that was committed is written anew, durably, in its place, after another file that lies there
    /// was put aside (ledger.db.put-aside). Precondition: no transaction is open.
    [[nodiscard]] Result<void> stay_in_place();
    /// Whether there is nothing to be done for that. Any thread.
    [[nodiscard]] bool is_in_place() const;
    /// What the last of it was, in a sentence; empty: nothing since the ledger was opened. Any thread.
    [[nodiscard]] std::string notice() const;

    [[nodiscard]] Result<void> begin();
    [[nodiscard]] Result<void> commit();
    void roll_back();
    /// A power cut takes back the youngest commits (synchronous=NORMAL); after this none that was made
    /// before. Precondition: no transaction is open.
    [[nodiscard]] Result<void> make_durable();

    [[nodiscard]] Result<LogPosition> log_position();
    [[nodiscard]] Result<void> set_log_position(const LogPosition& position);
    /// Small facts by name (counts of messages, the link's state), as text.
    [[nodiscard]] Result<std::optional<std::string>> fact(const std::string& name);
    [[nodiscard]] Result<void> set_fact(const std::string& name, const std::string& value);

    [[nodiscard]] Result<std::vector<MeterRecord>> meters();
    /// Finds the meter of this id or adds it.
    [[nodiscard]] Result<MeterKey> meter_key(const std::string& id);
    [[nodiscard]] Result<void> set_state(MeterKey meter, const std::string& state);

    [[nodiscard]] Result<void> add_entry(MeterKey meter, const Entry& entry);
    /// Removes the entry that ends at `entry.span.to` and begins at `entry.span.from`, an adjustment or
    /// another as `entry.kind` says. An adjustment that is gone (removed as too old) is no failure.
    [[nodiscard]] Result<void> remove_entry(MeterKey meter, const Entry& entry);
    /// Puts the parts of an entry, in order, where it stood: before what follows it at the same instant.
    [[nodiscard]] Result<void> replace_entry(MeterKey meter, const Entry& entry,
                                             std::span<const Entry> parts);
    /// The entry (no adjustment) whose span (from, to] holds the instant; where spans of no length end there
    /// too, the first one that holds it.
    [[nodiscard]] Result<std::optional<Entry>> entry_at(MeterKey meter, Instant t);
    /// The last entry (no adjustment) that ends at or before the instant.
    [[nodiscard]] Result<std::optional<Entry>> entry_before(MeterKey meter, Instant t);
    /// The lost entry that misses this message, if any.
    [[nodiscard]] Result<std::optional<Entry>> gap_of(MeterKey meter, std::uint64_t boot, std::uint64_t seq);
    /// Entries that touch the span, in order of time (adjustments among them).
    [[nodiscard]] Result<std::vector<Entry>> entries(MeterKey meter, Span span);

    /// Boots that were seen, for ever: a boot that was left never counts as new again.
    [[nodiscard]] Result<std::optional<BootRecord>> boot(MeterKey meter, std::uint64_t boot);
    [[nodiscard]] Result<void> put_boot(MeterKey meter, const BootRecord& boot);
    /// Messages of a boot that never came, first to last, both inclusive (the number may wrap in between).
    [[nodiscard]] Result<void> add_gap(MeterKey meter, std::uint64_t boot, std::uint64_t first_seq,
                                       std::uint64_t last_seq);
    [[nodiscard]] Result<bool> in_gap(MeterKey meter, std::uint64_t boot, std::uint64_t seq);
    /// One of them came after all; nothing to do where it lies in no gap.
    [[nodiscard]] Result<void> fill_gap(MeterKey meter, std::uint64_t boot, std::uint64_t seq);

    [[nodiscard]] Result<std::optional<Row>> row(const RowKey& key);
    [[nodiscard]] Result<void> put_row(const RowKey& key, const Row& row);
    [[nodiscard]] Result<void> remove_row(const RowKey& key);

    /// Raises the revision of every row of the step that begins in [from, to).
    [[nodiscard]] Result<void> revise_rows(MeterKey meter, Step step, Instant from, Instant to);

    /// Readings of the register by eye, in order of time; at most one a moment.
    [[nodiscard]] Result<std::vector<RegisterReading>> register_readings(MeterKey meter);
    [[nodiscard]] Result<void> put_register_reading(MeterKey meter, const RegisterReading& reading);
    [[nodiscard]] Result<void> remove_register_reading(MeterKey meter, Instant at);

    /// History that overlaps a span, in order of time.
    [[nodiscard]] Result<std::vector<HistoryEntry>> history(MeterKey meter, Span span);
    /// Precondition: it overlaps no other of the meter.
    [[nodiscard]] Result<void> add_history(MeterKey meter, const HistoryEntry& entry);
    [[nodiscard]] Result<void> remove_history(MeterKey meter, const std::string& import);

    /// Keeps a refused message once: one that is already there (same meter, topic and payload) is not
    /// added again; the oldest beyond 1000 a meter go, and are only counted. Returns whether it was new.
    [[nodiscard]] Result<bool> add_refused(const Refused& refused);

    /// Adds (id 0; returns the new id) or updates an alarm.
    [[nodiscard]] Result<std::int64_t> put_alarm(MeterKey meter, const Alarm& alarm);
    /// Alarms whose condition holds, or that are shelved, by their ids.
    [[nodiscard]] Result<std::vector<Alarm>> open_alarms(MeterKey meter);
    /// The newest alarm of a kind, or that which was raised at a moment: for what people do to it.
    [[nodiscard]] Result<std::optional<Alarm>> last_alarm(MeterKey meter, AlarmKind kind,
                                                          std::optional<Instant> raised_at = std::nullopt);
    /// A time of which nothing could be decided, for people to see. One a beginning: it replaces an earlier.
    [[nodiscard]] Result<void> add_undecided(MeterKey meter, AlarmKind kind, Span window,
                                             const std::string& text);
    /// Those that touch a span, also at its very ends, in order of time.
    [[nodiscard]] Result<std::vector<Span>> undecided(MeterKey meter, AlarmKind kind, Span span);
    [[nodiscard]] Result<void> remove_undecided(MeterKey meter, AlarmKind kind, Instant from);

    /// Queues a publication. A retained one replaces an unsent one of the same topic.
    [[nodiscard]] Result<void> queue(const Outgoing& outgoing);
    [[nodiscard]] Result<std::vector<Outgoing>> outbox(std::int64_t after_id, int limit);
    [[nodiscard]] Result<void> remove_outgoing(std::int64_t id);

    /// Packs the oldest UTC day that has readings or hours to pack, if it ended at or before `before`; where
    /// there is none, the days of the oldest quarter of a year that has some to pack. Nothing that is asked
    /// of the ledger changes, but it takes a tenth of the room. Of very many meters it packs some and the
    /// next call the others. Returns whether there was anything to pack.
    [[nodiscard]] Result<bool> pack_oldest(Instant before);

    /// Removes the fine detail (entries and rows of intervals) of the oldest UTC day, if that day ended at or
    /// before `before`; coarser rows stay. Returns that day's end where there was one. One day a call, so
    /// that a transaction stays short. None goes unless so many later days have rows: days that were really
    /// seen, whatever a clock says.
    [[nodiscard]] Result<std::optional<Instant>> remove_oldest_day(Instant before,
                                                                   std::int64_t later_days = 0);

private:
    struct Tables;
    explicit Ledger(std::unique_ptr<Tables> tables);

    std::unique_ptr<Tables> tables_;
};

}  // namespace tickledger
