#include "store/ledger.hpp"

#include <charconv>
#include <utility>

#include "store/boot_table.hpp"
#include "store/database.hpp"
#include "store/day_packer.hpp"
#include "store/entry_table.hpp"
#include "store/ledger_reads.hpp"
#include "store/register_table.hpp"
#include "store/schema.hpp"
#include "tickledger/message.hpp"

namespace tickledger {
namespace {

constexpr std::size_t refused_payload_max_bytes = 1024;

/// Cuts a text to at most `max_bytes`, not within a character of UTF-8.
std::string_view cut(std::string_view text, std::size_t max_bytes) {
    if (text.size() <= max_bytes) return text;
    std::size_t end = max_bytes;
    while (end > 0 && max_bytes - end < 3 && (static_cast<unsigned char>(text[end]) & 0xC0) == 0x80)
        --end;
    return text.substr(0, end);
}

/// Sets the file up for flash storage and for readers beside the writer; docs/ledger-format.md has the
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

class SqliteLedger final : public Ledger {
public:
    SqliteLedger(WriterLock lock, std::unique_ptr<Database> database);

    /// Reads what is kept in memory.
    [[nodiscard]] Result<void> prepare();

    Result<void> begin() override { return database_->begin_write(); }
    Result<void> commit() override { return database_->commit(); }
    void roll_back() override {
        database_->roll_back();
        entry_writes_.forget();
        packer_.forget();
    }

    Result<LogPosition> log_position() override;
    Result<void> set_log_position(const LogPosition& position) override;
    Result<std::optional<std::string>> fact(const std::string& name) override { return reads_.fact(name); }
    Result<void> set_fact(const std::string& name, const std::string& value) override {
        return set_fact_.run(name, value).finish();
    }

    Result<std::vector<MeterRecord>> meters() override { return reads_.meters(); }
    Result<MeterKey> meter_key(const std::string& id) override;
    Result<void> set_state(MeterKey meter, const std::string& state) override {
        return set_state_.run(meter, state).finish();
    }

    Result<void> add_entry(MeterKey meter, const Entry& entry) override {
        return packer_.unpack_days(meter, entry.span.to, entry.span.to).and_then([&] {
            return entry_writes_.add(meter, entry);
        });
    }
    Result<void> remove_entry(MeterKey meter, const Entry& entry) override {
        return packer_.unpack_days(meter, entry.span.to, entry.span.to).and_then([&] {
            return entry_writes_.remove(meter, entry);
        });
    }
    Result<std::optional<Entry>> entry_at(MeterKey meter, Instant t) override {
        return entries_.holding(meter, t);
    }
    Result<std::optional<Entry>> entry_before(MeterKey meter, Instant t) override {
        return entries_.last_ending_by(meter, t);
    }
    Result<std::optional<Entry>> gap_of(MeterKey meter, std::uint64_t boot, std::uint64_t seq) override {
        return entries_.gap_of(meter, boot, seq);
    }
    Result<std::vector<Entry>> entries(MeterKey meter, Span span) override;

    Result<std::optional<BootRecord>> boot(MeterKey meter, std::uint64_t boot) override {
        return boots_.boot(meter, boot);
    }
    Result<void> put_boot(MeterKey meter, const BootRecord& boot) override { return boots_.put(meter, boot); }
    Result<void> add_gap(MeterKey meter, std::uint64_t boot, std::uint64_t first_seq,
                         std::uint64_t last_seq) override {
        return boots_.add_gap(meter, boot, first_seq, last_seq);
    }
    Result<bool> in_gap(MeterKey meter, std::uint64_t boot, std::uint64_t seq) override {
        return boots_.in_gap(meter, boot, seq);
    }
    Result<void> fill_gap(MeterKey meter, std::uint64_t boot, std::uint64_t seq) override {
        return boots_.fill_gap(meter, boot, seq);
    }

    Result<std::optional<Row>> row(const RowKey& key) override { return reads_.row(key); }
    Result<void> put_row(const RowKey& key, const Row& row) override {
        return unpack_rows(key.meter, key.step, key.start, key.start).and_then([&] {
            return put_row_
                .run(key.step, key.start, key.meter, row.ticks, row.covered, row.spread_ticks, row.revision)
                .finish();
        });
    }

    Result<void> revise_rows(MeterKey meter, Step step, Instant from, Instant to) override {
        return unpack_rows(meter, step, from, to).and_then([&] {
            return revise_rows_.run(meter, step, from, to).finish();
        });
    }

    Result<std::vector<RegisterReading>> register_readings(MeterKey meter) override {
        return register_.readings(meter);
    }
    Result<void> put_register_reading(MeterKey meter, const RegisterReading& reading) override {
        return register_.put(meter, reading);
    }
    Result<void> remove_register_reading(MeterKey meter, Instant at) override {
        return register_.remove(meter, at);
    }

    Result<bool> add_refused(const Refused& refused) override;

    Result<std::int64_t> put_alarm(MeterKey meter, const Alarm& alarm) override;
    Result<std::vector<Alarm>> open_alarms(MeterKey meter) override;
    Result<std::optional<Alarm>> last_alarm(MeterKey meter, AlarmKind kind,
                                            std::optional<Instant> raised_at) override;
    Result<void> add_undecided(MeterKey meter, AlarmKind kind, Span window,
                               const std::string& text) override {
        return add_undecided_.run(meter, kind, window.from, window.to, text).finish();
    }
    Result<std::vector<Span>> undecided(MeterKey meter, AlarmKind kind, Span span) override;
    Result<void> remove_undecided(MeterKey meter, AlarmKind kind, Instant from) override {
        return remove_undecided_.run(meter, kind, from).finish();
    }

    Result<void> queue(const Outgoing& outgoing) override;
    Result<std::vector<Outgoing>> outbox(std::int64_t after_id, int limit) override;
    Result<void> remove_outgoing(std::int64_t id) override { return remove_outgoing_.run(id).finish(); }

    Result<bool> pack_oldest_day(Instant before) override { return packer_.pack_oldest_day(before); }
    Result<bool> remove_oldest_day(Instant before) override;

private:
    /// Before rows that begin from `from` to `to` change.
    Result<void> unpack_rows(MeterKey meter, Step step, Instant from, Instant to) {
        return step == Step::interval || step == Step::hour ? packer_.unpack_days(meter, from, to)
                                                            : Result<void>();
    }

    WriterLock lock_;
    std::unique_ptr<Database> database_;
    PackedReads packed_;
    DayPacker packer_;
    LedgerReads reads_;
    EntryReads entries_;
    EntryWrites entry_writes_;
    BootTable boots_;
    RegisterTable register_;
    Statement set_fact_, add_meter_, set_state_, put_row_, revise_rows_;
    Statement add_refused_, count_left_out_, trim_refused_;
    Statement add_alarm_, change_alarm_, open_alarms_, last_alarm_;
    Statement add_undecided_, undecided_, remove_undecided_;
    Statement queue_, outbox_, remove_outgoing_;
    Statement remove_intervals_;
    /// Never given out twice in the life of the process, not even after a row was replaced or rolled back: a
    /// confirmation that comes for an old id must not remove what was queued after it. SQLite's AUTOINCREMENT
    /// would say the same with one more page written a commit.
    std::int64_t next_outgoing_id_ = 1;
};

SqliteLedger::SqliteLedger(WriterLock lock, std::unique_ptr<Database> database)
    : lock_(std::move(lock)),
      database_(std::move(database)),
      packed_(*database_),
      packer_(*database_, packed_),
      reads_(*database_, packed_),
      entries_(*database_, packed_),
      entry_writes_(*database_),
      boots_(*database_),
      register_(*database_),
      set_fact_(*database_,
                "INSERT INTO fact (name, value) VALUES (?1, ?2) ON CONFLICT DO UPDATE SET value = ?2"),
      add_meter_(*database_, "INSERT INTO meter (id) VALUES (?1)"),
      set_state_(*database_, "UPDATE meter SET state = ?2 WHERE key = ?1"),
      put_row_(*database_,
               "INSERT OR REPLACE INTO usage_row (step, start_us, meter, ticks, covered_us, spread_ticks, "
               "revision)"
               " VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)"),
      revise_rows_(*database_,
                   "UPDATE usage_row SET revision = revision + 1"
                   " WHERE step = ?2 AND start_us >= ?3 AND start_us < ?4 AND meter = ?1"),
      add_refused_(*database_,
                   "INSERT OR IGNORE INTO refused (meter, at_us, reason, topic, payload, text, fingerprint)"
                   " VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)"),
#define TOO_MANY_REFUSED \
    "(SELECT id FROM refused WHERE meter = ?1 ORDER BY at_us DESC, id DESC LIMIT -1 OFFSET 1000)"
      count_left_out_(*database_,
                      "INSERT INTO refused_left_out (meter, hour, messages)"
                      " SELECT ?1, at_us / 3600000000, count(*) FROM refused WHERE id IN " TOO_MANY_REFUSED
                      " GROUP BY 2 ON CONFLICT DO UPDATE SET messages = messages + excluded.messages"),
      trim_refused_(*database_, "DELETE FROM refused WHERE id IN " TOO_MANY_REFUSED),
      add_alarm_(*database_,
                 "INSERT INTO alarm (meter, kind, state, raised_us, cleared_us, evidence, text,"
                 " acknowledged_us, shelved_until_us) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)"),
      change_alarm_(*database_,
                    "UPDATE alarm SET meter = ?1, kind = ?2, state = ?3, raised_us = ?4, cleared_us = ?5,"
                    " evidence = ?6, text = ?7, acknowledged_us = ?8, shelved_until_us = ?9 WHERE id = ?10"),
      open_alarms_(
          *database_,
          "SELECT " ALARM_COLUMNS
          " FROM alarm AS a WHERE a.meter = ?1 AND (a.cleared_us IS NULL OR a.state = 4) ORDER BY a.id"),
      last_alarm_(*database_, "SELECT " ALARM_COLUMNS
                              " FROM alarm AS a WHERE a.meter = ?1 AND a.kind = ?2"
                              " AND (?3 IS NULL OR a.raised_us = ?3) ORDER BY a.id DESC LIMIT 1"),
      add_undecided_(*database_,
                     "INSERT OR REPLACE INTO undecided (meter, kind, from_us, to_us, text)"
                     " VALUES (?1, ?2, ?3, ?4, ?5)"),
      undecided_(*database_,
                 "SELECT from_us, to_us FROM undecided WHERE meter = ?1 AND kind = ?2 AND from_us <= ?4"
                 " AND to_us >= ?3 ORDER BY from_us"),
      remove_undecided_(*database_, "DELETE FROM undecided WHERE meter = ?1 AND kind = ?2 AND from_us = ?3"),
      queue_(*database_,
             "INSERT OR REPLACE INTO outbox (id, topic, payload, retained) VALUES (?1, ?2, ?3, ?4)"),
      outbox_(*database_,
              "SELECT id, topic, payload, retained FROM outbox WHERE id > ?1 ORDER BY id LIMIT ?2"),
      remove_outgoing_(*database_, "DELETE FROM outbox WHERE id = ?1"),
      remove_intervals_(*database_, "DELETE FROM usage_row WHERE step = 0 AND start_us < ?1") {
}

Result<void> SqliteLedger::prepare() {
    return database_->integer("SELECT max(id) FROM outbox").map([&](std::int64_t last) {
        next_outgoing_id_ = last + 1;
    });
}

Result<LogPosition> SqliteLedger::log_position() {
    const auto file = reads_.fact("log_file");
    if (!file) return tl::unexpected(file.error());
    const auto offset = reads_.fact("log_offset_bytes");
    if (!offset) return tl::unexpected(offset.error());
    LogPosition position;
    if (!*file || !*offset) return position;
    position.file = **file;
    const char* const end = (*offset)->data() + (*offset)->size();
    if (const auto read = std::from_chars((*offset)->data(), end, position.offset_bytes);
        read.ec != std::errc() || read.ptr != end) {
        return tl::unexpected(database_->damaged("its place in the message log reads \"" + **offset + "\""));
    }
    return position;
}

Result<void> SqliteLedger::set_log_position(const LogPosition& position) {
    return set_fact("log_file", position.file).and_then([&] {
        return set_fact("log_offset_bytes", std::to_string(position.offset_bytes));
    });
}

Result<MeterKey> SqliteLedger::meter_key(const std::string& id) {
    const auto known = reads_.meter(id);
    if (!known) return tl::unexpected(known.error());
    if (*known) return (*known)->key;
    return add_meter_.run(id).finish().map([&] { return database_->last_row_id(); });
}

Result<std::vector<Entry>> SqliteLedger::entries(MeterKey meter, Span span) {
    std::vector<Entry> found;
    return entries_
        .touching(meter, span,
                  [&](const Entry& entry) {
                      found.push_back(entry);
                      return true;
                  })
        .map([&] { return std::move(found); });
}

Result<bool> SqliteLedger::add_refused(const Refused& refused) {
    auto added = add_refused_
                     .run(refused.meter, refused.at, refused.reason, refused.topic,
                          cut(refused.payload, refused_payload_max_bytes), refused.text,
                          fingerprint(refused.topic + '\n' + refused.payload))
                     .finish();
    if (!added) return tl::unexpected(added.error());
    if (database_->changed_rows() == 0) return false;
    if (auto counted = count_left_out_.run(refused.meter).finish(); !counted)
        return tl::unexpected(counted.error());
    return trim_refused_.run(refused.meter).finish().map([] { return true; });
}

Result<std::int64_t> SqliteLedger::put_alarm(MeterKey meter, const Alarm& alarm) {
    if (alarm.id == 0) {
        return add_alarm_
            .run(meter, alarm.kind, alarm.state, alarm.raised_at, alarm.cleared_at, alarm.evidence,
                 alarm.text, alarm.acknowledged_at, alarm.shelved_until)
            .finish()
            .map([&] { return database_->last_row_id(); });
    }
    auto changed = change_alarm_
                       .run(meter, alarm.kind, alarm.state, alarm.raised_at, alarm.cleared_at, alarm.evidence,
                            alarm.text, alarm.acknowledged_at, alarm.shelved_until, alarm.id)
                       .finish();
    if (!changed) return tl::unexpected(changed.error());
    if (database_->changed_rows() == 0) {
        return tl::unexpected(database_->damaged("it lacks alarm " + std::to_string(alarm.id)));
    }
    return alarm.id;
}

Result<std::vector<Alarm>> SqliteLedger::open_alarms(MeterKey meter) {
    std::vector<Alarm> alarms;
    Cursor cursor = open_alarms_.run(meter);
    for (;;) {
        const auto found = cursor.next();
        if (!found) return tl::unexpected(found.error());
        if (!*found) return alarms;
        auto alarm = alarm_of(cursor);
        if (!alarm) return tl::unexpected(alarm.error());
        alarms.push_back(std::move(*alarm));
    }
}

Result<std::optional<Alarm>> SqliteLedger::last_alarm(MeterKey meter, AlarmKind kind,
                                                      std::optional<Instant> raised_at) {
    Cursor cursor = last_alarm_.run(meter, kind, raised_at);
    const auto found = cursor.next();
    if (!found) return tl::unexpected(found.error());
    if (!*found) return std::nullopt;
    return alarm_of(cursor).map([](Alarm alarm) { return std::optional(std::move(alarm)); });
}

Result<std::vector<Span>> SqliteLedger::undecided(MeterKey meter, AlarmKind kind, Span span) {
    std::vector<Span> found;
    Cursor cursor = undecided_.run(meter, kind, span.from, span.to);
    for (;;) {
        const auto more = cursor.next();
        if (!more) return tl::unexpected(more.error());
        if (!*more) return found;
        found.push_back({cursor.column<Instant>(0), cursor.column<Instant>(1)});
    }
}

Result<void> SqliteLedger::queue(const Outgoing& outgoing) {
    return queue_.run(next_outgoing_id_++, outgoing.topic, outgoing.payload, outgoing.retained).finish();
}

Result<std::vector<Outgoing>> SqliteLedger::outbox(std::int64_t after_id, int limit) {
    std::vector<Outgoing> waiting;
    Cursor cursor = outbox_.run(after_id, limit);
    for (;;) {
        const auto found = cursor.next();
        if (!found) return tl::unexpected(found.error());
        if (!*found) return waiting;
        waiting.push_back({cursor.column<std::int64_t>(0), cursor.column<std::string>(1),
                           cursor.column<std::string>(2), cursor.column<bool>(3)});
    }
}

Result<bool> SqliteLedger::remove_oldest_day(Instant before) {
    const auto end = entry_writes_.remove_oldest_day(before);
    if (!end) return tl::unexpected(end.error());
    if (!*end) return false;
    return remove_intervals_.run(**end)
        .finish()
        .and_then([&] { return packer_.remove_readings_until(day_of(**end) - 1); })
        .map([] { return true; });
}

}  // namespace

tl::expected<std::unique_ptr<Ledger>, LedgerOpenError> Ledger::open(const std::filesystem::path& file,
                                                                    const std::string& vfs) {
    const auto unusable = [](const Error& error) { return tl::unexpected(LedgerOpenError{error, false}); };
    const bool alone = !vfs.empty();
    WriterLock lock;
    if (!alone) {
        auto taken = WriterLock::take(file);
        if (!taken) return tl::unexpected(taken.error());
        lock = std::move(*taken);
    }
    auto database = Database::open(file, Database::Access::write, vfs);
    if (!database) return unusable(database.error());
    auto ready = set_up(**database, alone).and_then([&] { return bring_up_to_date(**database); });
    if (!ready) return unusable(ready.error());
    auto ledger = std::make_unique<SqliteLedger>(std::move(lock), std::move(*database));
    if (auto prepared = ledger->prepare(); !prepared) return unusable(prepared.error());
    return ledger;
}

}  // namespace tickledger
