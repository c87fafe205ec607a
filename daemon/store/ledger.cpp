// This file is long because most methods forward to the tables, a few lines each, in one transaction.
#include "store/ledger.hpp"

#include <fmt/format.h>

#include <charconv>
#include <mutex>
#include <utility>

#include "store/alarm_table.hpp"
#include "store/boot_table.hpp"
#include "store/day_packer.hpp"
#include "store/entry_table.hpp"
#include "store/entry_writes.hpp"
#include "store/history_table.hpp"
#include "store/ledger_place.hpp"
#include "store/ledger_reads.hpp"
#include "store/outbox_table.hpp"
#include "store/quarter_packer.hpp"
#include "store/refused_table.hpp"
#include "store/register_table.hpp"
#include "store/row_writes.hpp"
#include "store/schema.hpp"
#include "store/statement.hpp"

namespace tickledger {
namespace {

/// Sets the file up for flash storage and for readers beside the writer; docs/ledger-format.md gives the
/// reasons.
Result<void> set_up(Database& database, bool alone) {
    const char* locking = alone ? "PRAGMA locking_mode = EXCLUSIVE" : "PRAGMA locking_mode = NORMAL";
    return database.execute(locking)
        .and_then([&] { return database.execute("PRAGMA page_size = 1024"); })
        .and_then([&] { return database.execute("PRAGMA journal_mode = WAL"); })
        .and_then([&] {
            return database.execute(
                "PRAGMA synchronous = NORMAL; PRAGMA wal_autocheckpoint = 4000;"
                "PRAGMA journal_size_limit = 16777216; PRAGMA foreign_keys = OFF; PRAGMA temp_store = "
                "MEMORY");
        });
}

}  // namespace

/// The file's connection and all tables. Defined here, so that nobody else needs SQLite's header.
struct Ledger::Tables {
    Tables(WriterLock taken, std::unique_ptr<Database> opened, bool is_alone);

    /// Reads what is kept in memory.
    [[nodiscard]] Result<void> prepare();
    /// Writes what waits in memory, so that SQL can see it.
    [[nodiscard]] Result<void> write_all() {
        return entry_writes.write_all().and_then([&] { return row_writes.write(); });
    }
    /// Call it before rows that begin between `from` and `to`, both inclusive, change.
    [[nodiscard]] Result<void> unpack_rows(MeterKey meter, Step step, Instant from, Instant to) {
        if (step > Step::day) return {};
        return step == Step::day ? quarter_packer.unpack_quarters(meter, from, to)
                                 : day_packer.unpack_days(meter, from, to);
    }

    WriterLock lock;
    std::unique_ptr<Database> database;
    const bool alone;
    LedgerPlace place;
    mutable std::mutex notice_mutex;
    std::string notice;
    PackedReads packed;
    DayPacker day_packer;
    QuarterPacker quarter_packer;
    LedgerReads reads;
    EntryReads entries;
    EntryWrites entry_writes;
    BootTable boots;
    RegisterTable register_table;
    HistoryTable history_table;
    RowWrites row_writes;
    AlarmTable alarms;
    RefusedTable refused;
    OutboxTable outbox;
    Statement set_fact, add_meter, set_state, remove_row, revise_rows;
    Statement remove_intervals, later_days;
};

Ledger::Tables::Tables(WriterLock taken, std::unique_ptr<Database> opened, bool is_alone)
    : lock(std::move(taken)),
      database(std::move(opened)),
      alone(is_alone),
      place(database->file()),
      packed(*database),
      day_packer(*database, packed),
      quarter_packer(*database, packed),
      reads(*database, packed),
      entries(*database, packed),
      entry_writes(*database),
      boots(*database),
      register_table(*database),
      history_table(*database),
      row_writes(*database),
      alarms(*database),
      refused(*database),
      outbox(*database),
      set_fact(*database,
               "INSERT INTO fact (name, value) VALUES (?1, ?2) ON CONFLICT DO UPDATE SET value = ?2"),
      add_meter(*database, "INSERT INTO meter (id) VALUES (?1)"),
      set_state(*database, "UPDATE meter SET state = ?2 WHERE key = ?1"),
      remove_row(*database, "DELETE FROM usage_row WHERE step = ?1 AND start_us = ?2 AND meter = ?3"),
      revise_rows(*database,
                  "UPDATE usage_row SET revision = revision + 1"
                  " WHERE step = ?2 AND start_us >= ?3 AND start_us < ?4 AND meter = ?1"),
      remove_intervals(*database, "DELETE FROM usage_row WHERE step = 0 AND start_us < ?1"),
      // Steps from one beginning to the next, so that a thousand meters cost no more than one.
      later_days(
          *database,
          "WITH RECURSIVE seen (at_us, n) AS ("
          "SELECT min(start_us), 1 FROM usage_row WHERE step = ?1 AND start_us >= ?2"
          " UNION ALL SELECT (SELECT min(start_us) FROM usage_row WHERE step = ?1 AND start_us > at_us), n + 1"
          " FROM seen WHERE at_us IS NOT NULL AND n < ?3) SELECT count(at_us) FROM seen") {}

Result<void> Ledger::Tables::prepare() {
    return outbox.prepare().map([&] { place.remember(); });
}

Ledger::Ledger(std::unique_ptr<Tables> tables) : tables_(std::move(tables)) {}

Ledger::~Ledger() = default;

bool Ledger::is_in_place() const {
    return tables_->alone || tables_->place.is_in_place();
}

std::string Ledger::notice() const {
    const std::lock_guard lock(tables_->notice_mutex);
    return tables_->notice;
}

Result<void> Ledger::stay_in_place() {
    if (is_in_place()) return {};
    Database& database = *tables_->database;
    if (auto made = tables_->place.make_directory(); !made) return made;
    if (!tables_->lock.is_in_place(database.file())) {
        // Another daemon may have begun a ledger in place of ours.
        auto lock = WriterLock::take(database.file());
        if (!lock) return fail(lock.error().text);
        tables_->lock = std::move(*lock);
    }
    if (auto written = tables_->place.write_anew(database); !written) return written;
    // An empty transaction creates the files beside the ledger.
    auto ready = database.reopen().and_then([&] { return set_up(database, false); }).and_then([&] {
        return database.execute("BEGIN IMMEDIATE; COMMIT");
    });
    if (!ready) return ready;
    tables_->place.remember();
    const std::lock_guard lock(tables_->notice_mutex);
    tables_->notice =
        "The ledger's file " + database.file().string() +
        " was removed, moved or replaced while the daemon was running. It was recreated from the copy that "
        "was still open. Find out who did that.";
    return {};
}

Result<void> Ledger::begin() {
    return tables_->database->begin_write();
}

Result<void> Ledger::commit() {
    return tables_->write_all().and_then([&] { return tables_->database->commit(); });
}

Result<void> Ledger::make_durable() {
    // A checkpoint syncs the write-ahead log before it copies, and the file after that. If a reader of an
    // earlier moment leaves it nothing to copy, it does neither, and SQLite still reports success.
    Statement checkpoint(*tables_->database, "PRAGMA wal_checkpoint(PASSIVE)");
    Cursor done = checkpoint.run();
    const auto is_done = done.next();
    if (!is_done) return tl::unexpected(is_done.error());
    const bool is_busy = done.column<std::int64_t>(0) != 0;
    const auto pages = done.column<std::int64_t>(1);
    const auto copied_pages = done.column<std::int64_t>(2);
    if (!is_busy && copied_pages >= pages) return {};
    return fail(fmt::format(
        "The ledger {} cannot be synced to the disk just now, because {}. It is tried again later.",
        tables_->database->file().string(),
        is_busy ? "another program is checkpointing it" : "a reader still needs its earlier state"));
}

void Ledger::roll_back() {
    tables_->database->roll_back();
    tables_->entry_writes.forget();
    tables_->row_writes.forget();
    tables_->day_packer.forget();
    tables_->quarter_packer.forget();
}

Result<std::optional<std::string>> Ledger::fact(const std::string& name) {
    return tables_->reads.fact(name);
}

Result<void> Ledger::set_fact(const std::string& name, const std::string& value) {
    return tables_->set_fact.run(name, value).finish();
}

Result<std::vector<MeterRecord>> Ledger::meters() {
    return tables_->reads.meters();
}

Result<void> Ledger::set_state(MeterKey meter, const std::string& state) {
    return tables_->set_state.run(meter, Bytes{state}).finish();
}

Result<void> Ledger::add_entry(MeterKey meter, const Entry& entry) {
    return tables_->day_packer.unpack_days(meter, entry.span.to, entry.span.to).and_then([&] {
        return tables_->entry_writes.add(meter, entry);
    });
}

Result<void> Ledger::remove_entry(MeterKey meter, const Entry& entry) {
    return tables_->day_packer.unpack_days(meter, entry.span.to, entry.span.to).and_then([&] {
        return tables_->entry_writes.remove(meter, entry);
    });
}

Result<void> Ledger::replace_entry(MeterKey meter, const Entry& entry, std::span<const Entry> parts) {
    return tables_->day_packer.unpack_days(meter, entry.span.from, entry.span.to).and_then([&] {
        return tables_->entry_writes.replace(meter, entry, parts);
    });
}

Result<std::optional<Entry>> Ledger::entry_at(MeterKey meter, Instant t) {
    if (auto waiting = tables_->entry_writes.waiting_around(meter, t)) return waiting;
    return tables_->entry_writes.write(meter).and_then([&] { return tables_->entries.holding(meter, t); });
}

Result<std::optional<Entry>> Ledger::entry_before(MeterKey meter, Instant t) {
    if (auto waiting = tables_->entry_writes.waiting_before(meter, t)) return waiting;
    return tables_->entry_writes.write_ending_by(meter, t).and_then(
        [&] { return tables_->entries.last_ending_by(meter, t); });
}

Result<std::optional<Entry>> Ledger::gap_of(MeterKey meter, std::uint64_t boot, std::uint64_t seq) {
    return tables_->entries.gap_of(meter, boot, seq);
}

Result<std::optional<BootRecord>> Ledger::boot(MeterKey meter, std::uint64_t boot) {
    return tables_->boots.boot(meter, boot);
}

Result<void> Ledger::put_boot(MeterKey meter, const BootRecord& boot) {
    return tables_->boots.put(meter, boot);
}

Result<void> Ledger::add_gap(MeterKey meter, std::uint64_t boot, std::uint64_t first_seq,
                             std::uint64_t last_seq) {
    return tables_->boots.add_gap(meter, boot, first_seq, last_seq);
}

Result<bool> Ledger::in_gap(MeterKey meter, std::uint64_t boot, std::uint64_t seq) {
    return tables_->boots.in_gap(meter, boot, seq);
}

Result<void> Ledger::fill_gap(MeterKey meter, std::uint64_t boot, std::uint64_t first_seq,
                              std::uint64_t last_seq) {
    return tables_->boots.fill_gap(meter, boot, first_seq, last_seq);
}

Result<std::optional<Row>> Ledger::row(const RowKey& key) {
    return tables_->row_writes.write().and_then([&] { return tables_->reads.row(key); });
}

Result<void> Ledger::put_row(const RowKey& key, const Row& row) {
    return tables_->unpack_rows(key.meter, key.step, key.start, key.start).and_then([&] {
        return tables_->row_writes.put(key, row);
    });
}

Result<void> Ledger::remove_row(const RowKey& key) {
    return tables_->row_writes.write()
        .and_then([&] { return tables_->unpack_rows(key.meter, key.step, key.start, key.start); })
        .and_then([&] { return tables_->remove_row.run(key.step, key.start, key.meter).finish(); });
}

Result<void> Ledger::revise_rows(MeterKey meter, Step step, Instant from, Instant to) {
    return tables_->row_writes.write()
        .and_then([&] { return tables_->unpack_rows(meter, step, from, to); })
        .and_then([&] { return tables_->revise_rows.run(meter, step, from, to).finish(); });
}

Result<std::vector<RegisterReading>> Ledger::register_readings(MeterKey meter) {
    return tables_->register_table.readings(meter);
}

Result<void> Ledger::put_register_reading(MeterKey meter, const RegisterReading& reading) {
    return tables_->register_table.put(meter, reading);
}

Result<void> Ledger::remove_register_reading(MeterKey meter, Instant at) {
    return tables_->register_table.remove(meter, at);
}

Result<std::vector<HistoryEntry>> Ledger::history(MeterKey meter, Span span) {
    return tables_->history_table.overlapping(meter, span);
}

Result<void> Ledger::add_history(MeterKey meter, const HistoryEntry& entry) {
    return tables_->history_table.add(meter, entry);
}

Result<void> Ledger::remove_history(MeterKey meter, const std::string& import) {
    return tables_->history_table.remove(meter, import);
}

Result<void> Ledger::add_undecided(MeterKey meter, AlarmKind kind, Span window, const std::string& text) {
    return tables_->alarms.add_undecided(meter, kind, window, text);
}

Result<std::vector<Span>> Ledger::undecided(MeterKey meter, AlarmKind kind, Span span) {
    return tables_->alarms.undecided(meter, kind, span);
}

Result<void> Ledger::remove_undecided(MeterKey meter, AlarmKind kind, Instant from) {
    return tables_->alarms.remove_undecided(meter, kind, from);
}

Result<void> Ledger::remove_outgoing(std::int64_t id) {
    return tables_->outbox.remove(id);
}

Result<bool> Ledger::pack_oldest(Instant before) {
    return tables_->write_all()
        .and_then([&] { return tables_->day_packer.pack_oldest_day(before); })
        .and_then([&](bool is_packed) {
            return is_packed ? Result<bool>(true) : tables_->quarter_packer.pack_oldest_quarter(before);
        });
}

Result<LogPosition> Ledger::log_position() {
    const auto file = tables_->reads.fact("log_file");
    if (!file) return tl::unexpected(file.error());
    const auto offset = tables_->reads.fact("log_offset_bytes");
    if (!offset) return tl::unexpected(offset.error());
    LogPosition position;
    if (!*file || !*offset) return position;
    position.file = **file;
    const char* const end = (*offset)->data() + (*offset)->size();
    if (const auto read = std::from_chars((*offset)->data(), end, position.offset_bytes);
        read.ec != std::errc() || read.ptr != end) {
        return tl::unexpected(
            tables_->database->damaged("its place in the message log reads \"" + **offset + "\""));
    }
    return position;
}

Result<void> Ledger::set_log_position(const LogPosition& position) {
    return set_fact("log_file", position.file).and_then([&] {
        return set_fact("log_offset_bytes", std::to_string(position.offset_bytes));
    });
}

Result<void> Ledger::force_log_position(const LogPosition& position) {
    Database& database = *tables_->database;
    auto forced = database.execute("PRAGMA synchronous = FULL")
                      .and_then([&] { return begin(); })
                      .and_then([&] { return set_log_position(position); })
                      .and_then([&] { return commit(); });
    if (!forced) roll_back();
    const auto eased = database.execute("PRAGMA synchronous = NORMAL");
    return forced ? eased : forced;
}

Result<MeterKey> Ledger::meter_key(const std::string& id) {
    const auto known = tables_->reads.meter(id);
    if (!known) return tl::unexpected(known.error());
    if (*known) return (*known)->key;
    return tables_->add_meter.run(id).finish().map([&] { return tables_->database->last_row_id(); });
}

Result<std::vector<Entry>> Ledger::entries(MeterKey meter, Span span) {
    std::vector<Entry> found;
    const auto find = [&](const Entry& entry) {
        found.push_back(entry);
        return true;
    };
    return tables_->entry_writes.write(meter)
        .and_then([&] { return tables_->entries.touching(meter, span, find); })
        .map([&] { return std::move(found); });
}

Result<bool> Ledger::add_refused(const Refused& refused) {
    return tables_->refused.add(refused);
}

Result<std::int64_t> Ledger::put_alarm(MeterKey meter, const Alarm& alarm) {
    return tables_->alarms.put(meter, alarm);
}

Result<std::vector<Alarm>> Ledger::open_alarms(MeterKey meter) {
    return tables_->alarms.open(meter);
}

Result<std::optional<Alarm>> Ledger::last_alarm(MeterKey meter, AlarmKind kind,
                                                std::optional<Instant> raised_at) {
    return tables_->alarms.last(meter, kind, raised_at);
}

Result<void> Ledger::queue(const Outgoing& outgoing) {
    return tables_->outbox.queue(outgoing);
}

Result<std::vector<Outgoing>> Ledger::outbox(std::int64_t after_id, int limit) {
    return tables_->outbox.after(after_id, limit);
}

Result<std::optional<Instant>> Ledger::remove_oldest_day(Instant before, std::int64_t later_days) {
    if (auto written = tables_->write_all(); !written) return tl::unexpected(written.error());
    if (later_days > 0) {
        const auto oldest = tables_->entry_writes.oldest_day();
        if (!oldest) return tl::unexpected(oldest.error());
        if (!*oldest || start_of_day(**oldest + 1) > before) return std::nullopt;
        const Instant end = start_of_day(**oldest + 1);
        const auto packed = tables_->quarter_packer.days_from(end);
        if (!packed) return tl::unexpected(packed.error());
        Cursor cursor = tables_->later_days.run(Step::day, end, later_days);
        const auto counted = cursor.next();
        if (!counted) return tl::unexpected(counted.error());
        if (*packed + cursor.column<std::int64_t>(0) < later_days) return std::nullopt;
    }
    const auto end = tables_->entry_writes.remove_oldest_day(before);
    if (!end) return tl::unexpected(end.error());
    if (!*end) return std::nullopt;
    return tables_->remove_intervals.run(**end)
        .finish()
        .and_then([&] { return tables_->day_packer.remove_readings_until(day_of(**end) - 1); })
        .map([&] { return *end; });
}

tl::expected<std::unique_ptr<Ledger>, LedgerOpenError> Ledger::open(const std::filesystem::path& file,
                                                                    const std::string& vfs, WalIndex index) {
    const auto unusable = [](const Error& error) { return tl::unexpected(LedgerOpenError{error, false}); };
    const bool alone = !vfs.empty();
    WriterLock lock;
    if (!alone) {
        auto taken = WriterLock::take(file);
        if (!taken) return tl::unexpected(taken.error());
        lock = std::move(*taken);
    }
    // The VFS "unix-excl" locks the file for this process, whose other connections share the index.
    auto database =
        Database::open(file, Database::Access::write, index == WalIndex::memory ? "unix-excl" : vfs);
    if (!database) return unusable(database.error());
    auto ready = set_up(**database, alone).and_then([&] { return bring_up_to_date(**database); });
    if (!ready) return unusable(ready.error());
    auto tables = std::make_unique<Tables>(std::move(lock), std::move(*database), alone);
    if (auto prepared = tables->prepare(); !prepared) return unusable(prepared.error());
    return std::unique_ptr<Ledger>(new Ledger(std::move(tables)));
}

}  // namespace tickledger
