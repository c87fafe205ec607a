// The ledger in SQLite, as its one writer uses it: accounts, entries, rows, boots, readings of the register,
// history, alarms and the outbox. docs/ledger-format.md has the schema and the reasons.
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

/// One row of a series as it is stored: sums so far.
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

/// A message that was refused.
struct Refused {
    MeterKey meter = 0;
    Instant at{};  ///< Its arrival.
    Refusal reason = Refusal::unreadable;
    std::string topic;
    std::string payload;  ///< At most 1 KiB of it; the message log holds all of it.
    std::string text;     ///< Why, in words.
};

/// A publication that waits for the broker.
struct Outgoing {
    std::int64_t id = 0;
    std::string topic;  ///< Below the root: "meters/house/usage".
    std::string payload;
    bool retained = false;
};

/// The numbers of one boot's messages.
struct BootRecord {
    std::uint64_t boot = 0;
    std::optional<std::uint64_t> first_seq{};
    std::optional<std::uint64_t> last_seq{};  ///< Known once the boot was left.
};

/// A reading of the register by eye. Volumes in microlitres.
struct RegisterReading {
    Instant at{};
    std::int64_t register_ul = 0;  ///< As it was read.
    std::int64_t given_to_ul = 0;  ///< The value of one unit of the last digit given.
    std::int64_t turns = 0;        ///< How often the digits had started again at 0 by then.
    /// It gave the register's start, and nothing was adjusted to it.
    bool starts = false;
    /// Booked ticks, without adjustments, of entries that end at or before `at`.
    std::int64_t ticks_before = 0;
    /// The ticks of the entry that `at` is inside of. Any of them may have come before or after it.
    std::int64_t ticks_within = 0;
    /// The adjustment that closes the difference: ticks over (adjusted_from, at]. 0: no adjustment.
    Instant adjusted_from{};
    std::int64_t adjustment_ticks = 0;
    bool operator==(const RegisterReading&) const = default;
};

struct MeterRecord {
    MeterKey key = 0;
    std::string id;     ///< As configured, patterns resolved: "flat-7".
    std::string state;  ///< The account's memory, as a record; empty for a new meter.
};

/// Where SQLite keeps the index of its write-ahead log. `file`: in a file that all programs share. `memory`:
/// in this process, which saves the disk a mapped page with each commit, but shuts other programs out.
enum class WalIndex : std::uint8_t { file, memory };

/// All changes between begin() and commit() succeed or fail together. For one thread. Every method may fail
/// with a sentence about the store (full disk, damaged file). After a failure call roll_back() and try the
/// batch again. Reads see the open transaction's own changes.
class Ledger {
public:
    /// Opens or creates the file (WAL, synchronous=NORMAL), brings its schema up to date, and takes the
    /// writer's lock. LedgerOpenError says whether another process holds the lock. `vfs` names the SQLite
    /// VFS; empty: the default. A named one, such as the simulation's, gets no lock file and no shared
    /// memory. The ledger is then closed to every other connection.
    [[nodiscard]] static tl::expected<std::unique_ptr<Ledger>, LedgerOpenError> open(
        const std::filesystem::path& file, const std::string& vfs = {}, WalIndex index = WalIndex::file);
    ~Ledger();

    /// Somebody may remove, move or replace the file, or what SQLite keeps beside it, while the daemon runs.
    /// Then this writes all committed data under the file's name again, durably. Another file that is there
    /// is put aside first (ledger.db.put-aside). Precondition: no transaction is open.
    [[nodiscard]] Result<void> stay_in_place();
    /// Whether stay_in_place() has nothing to do. Any thread.
    [[nodiscard]] bool is_in_place() const;
    /// What stay_in_place() last did, in a sentence. Empty: nothing since the ledger was opened. Any thread.
    [[nodiscard]] std::string notice() const;

    [[nodiscard]] Result<void> begin();
    [[nodiscard]] Result<void> commit();
    void roll_back();
    /// A power cut takes back the youngest commits (synchronous=NORMAL). After this call it can take back
    /// none of the commits made before. Fails while another connection reads an earlier moment. Precondition:
    /// no transaction is open.
    [[nodiscard]] Result<void> make_durable();

    [[nodiscard]] Result<LogPosition> log_position();
    [[nodiscard]] Result<void> set_log_position(const LogPosition& position);
    /// Sets it in a transaction of its own, which no power cut takes back. Precondition: no transaction is
    /// open.
    [[nodiscard]] Result<void> force_log_position(const LogPosition& position);
    /// Small facts by name, as text (counts of messages, the state of the link).
    [[nodiscard]] Result<std::optional<std::string>> fact(const std::string& name);
    [[nodiscard]] Result<void> set_fact(const std::string& name, const std::string& value);

    [[nodiscard]] Result<std::vector<MeterRecord>> meters();
    /// Finds the meter with this id, or adds it.
    [[nodiscard]] Result<MeterKey> meter_key(const std::string& id);
    [[nodiscard]] Result<void> set_state(MeterKey meter, const std::string& state);

    [[nodiscard]] Result<void> add_entry(MeterKey meter, const Entry& entry);
    /// Removes the entry with the span of `entry`; `entry.kind` says whether it is an adjustment. It is no
    /// failure if an adjustment is gone already (removed as too old).
    [[nodiscard]] Result<void> remove_entry(MeterKey meter, const Entry& entry);
    /// Replaces an entry by its parts, in order. They take its place, before what follows it at the same
    /// instant.
    [[nodiscard]] Result<void> replace_entry(MeterKey meter, const Entry& entry,
                                             std::span<const Entry> parts);
    /// The entry (not an adjustment) whose span (from, to] holds the instant. If entries without length end
    /// there too, the first one that holds it.
    [[nodiscard]] Result<std::optional<Entry>> entry_at(MeterKey meter, Instant t);
    /// The last entry (not an adjustment) that ends at or before the instant.
    [[nodiscard]] Result<std::optional<Entry>> entry_before(MeterKey meter, Instant t);
    /// The lost entry whose missing numbers include this message, if any.
    [[nodiscard]] Result<std::optional<Entry>> gap_of(MeterKey meter, std::uint64_t boot, std::uint64_t seq);
    /// Entries that touch the span, in order of time, adjustments included.
    [[nodiscard]] Result<std::vector<Entry>> entries(MeterKey meter, Span span);

    /// The boots that were seen. They are kept for ever, so that a boot that was left never counts as new
    /// again.
    [[nodiscard]] Result<std::optional<BootRecord>> boot(MeterKey meter, std::uint64_t boot);
    [[nodiscard]] Result<void> put_boot(MeterKey meter, const BootRecord& boot);
    /// Messages of a boot that never arrived, first to last, both inclusive. The number may wrap in between.
    [[nodiscard]] Result<void> add_gap(MeterKey meter, std::uint64_t boot, std::uint64_t first_seq,
                                       std::uint64_t last_seq);
    [[nodiscard]] Result<bool> in_gap(MeterKey meter, std::uint64_t boot, std::uint64_t seq);
    /// These numbers are no longer missing: one arrived after all, or the numbers are about to be used again.
    /// Numbers that are in no gap are ignored. The range must not wrap.
    [[nodiscard]] Result<void> fill_gap(MeterKey meter, std::uint64_t boot, std::uint64_t first_seq,
                                        std::uint64_t last_seq);

    [[nodiscard]] Result<std::optional<Row>> row(const RowKey& key);
    [[nodiscard]] Result<void> put_row(const RowKey& key, const Row& row);
    [[nodiscard]] Result<void> remove_row(const RowKey& key);

    /// Raises the revision of every row of the step that begins in [from, to).
    [[nodiscard]] Result<void> revise_rows(MeterKey meter, Step step, Instant from, Instant to);

    /// Readings of the register by eye, in order of time. At most one for each moment.
    [[nodiscard]] Result<std::vector<RegisterReading>> register_readings(MeterKey meter);
    [[nodiscard]] Result<void> put_register_reading(MeterKey meter, const RegisterReading& reading);
    [[nodiscard]] Result<void> remove_register_reading(MeterKey meter, Instant at);

    /// History that overlaps a span, in order of time.
    [[nodiscard]] Result<std::vector<HistoryEntry>> history(MeterKey meter, Span span);
    /// Precondition: it overlaps no other history of the meter.
    [[nodiscard]] Result<void> add_history(MeterKey meter, const HistoryEntry& entry);
    [[nodiscard]] Result<void> remove_history(MeterKey meter, const std::string& import);

    /// Keeps a refused message once: one that is there already (same meter, topic and payload) is not added
    /// again. Each meter keeps its newest 1000; older ones are only counted. Returns whether it was new.
    [[nodiscard]] Result<bool> add_refused(const Refused& refused);

    /// Adds an alarm (id 0) or updates it. Returns its id.
    [[nodiscard]] Result<std::int64_t> put_alarm(MeterKey meter, const Alarm& alarm);
    /// Alarms whose condition holds or that are shelved, in the order of their ids.
    [[nodiscard]] Result<std::vector<Alarm>> open_alarms(MeterKey meter);
    /// The newest alarm of a kind, or the one that was raised at `raised_at`. For instructions about alarms.
    [[nodiscard]] Result<std::optional<Alarm>> last_alarm(MeterKey meter, AlarmKind kind,
                                                          std::optional<Instant> raised_at = std::nullopt);
    /// A time for which nothing could be decided, for people to see. It replaces one with the same beginning.
    [[nodiscard]] Result<void> add_undecided(MeterKey meter, AlarmKind kind, Span window,
                                             const std::string& text);
    /// Those that touch a span, even only at its ends, in order of time.
    [[nodiscard]] Result<std::vector<Span>> undecided(MeterKey meter, AlarmKind kind, Span span);
    [[nodiscard]] Result<void> remove_undecided(MeterKey meter, AlarmKind kind, Instant from);

    /// Queues a publication. A retained one replaces an unsent one of the same topic.
    [[nodiscard]] Result<void> queue(const Outgoing& outgoing);
    [[nodiscard]] Result<std::vector<Outgoing>> outbox(std::int64_t after_id, int limit);
    [[nodiscard]] Result<void> remove_outgoing(std::int64_t id);

    /// Packs the oldest UTC day that has readings or hours to pack, if it ended at or before `before`. If
    /// there is none, packs the days of the oldest quarter of a year that has some to pack. The ledger's
    /// answers do not change, but packed data takes a tenth of the room. Of very many meters it packs some,
    /// and the next call the others. Returns whether there was anything to pack.
    [[nodiscard]] Result<bool> pack_oldest(Instant before);

    /// Removes the fine detail (entries and rows of intervals) of the oldest UTC day, if that day ended at or
    /// before `before`. Coarser rows stay. Returns the end of the removed day, if any. One call removes one
    /// day, so that a transaction stays short. Nothing is removed unless at least `later_days` later days
    /// have rows: these days were really seen, whatever a clock says.
    [[nodiscard]] Result<std::optional<Instant>> remove_oldest_day(Instant before,
                                                                   std::int64_t later_days = 0);

private:
    struct Tables;
    explicit Ledger(std::unique_ptr<Tables> tables);

    std::unique_ptr<Tables> tables_;
};

}  // namespace tickledger
