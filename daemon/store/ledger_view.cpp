#include "store/ledger_view.hpp"

#include <utility>

#include "store/alarm_table.hpp"
#include "store/entry_table.hpp"
#include "store/history_table.hpp"
#include "store/ledger_place.hpp"
#include "store/ledger_reads.hpp"
#include "store/register_table.hpp"
#include "store/schema.hpp"
#include "store/statement.hpp"

namespace tickledger {

/// As Ledger::Tables.
struct LedgerView::Tables {
    explicit Tables(std::unique_ptr<Database> opened);

    std::unique_ptr<Database> database;
    LedgerPlace place;
    PackedReads packed;
    LedgerReads reads;
    EntryReads entries;
    RegisterTable register_table;
    HistoryTable history_table;
    Statement refused, refused_count, alarms, alarm, undecided;
    std::function<bool(const std::string&)> shows;

    [[nodiscard]] bool hides(const std::string& meter_id) const { return shows && !shows(meter_id); }
};

LedgerView::Tables::Tables(std::unique_ptr<Database> opened)
    : database(std::move(opened)),
      place(database->file()),
      packed(*database),
      reads(*database, packed),
      entries(*database, packed),
      register_table(*database),
      history_table(*database),
      refused(*database,
              "SELECT meter, at_us, reason, topic, payload, text FROM refused"
              " WHERE meter = ?1 AND at_us > ?2 AND at_us <= ?3 ORDER BY at_us, id"),
      refused_count(
          *database,
          "SELECT (SELECT count(*) FROM refused WHERE meter = ?1) + coalesce(sum(messages), 0),"
          " coalesce(sum(messages) FILTER (WHERE hour * 3600000000 < ?3 AND (hour + 1) * 3600000000 > ?2), 0)"
          " FROM refused_left_out WHERE meter = ?1"),
      alarms(*database, "SELECT " ALARM_COLUMNS
                        ", m.id FROM alarm AS a JOIN meter AS m ON m.key = a.meter"
                        " WHERE (?1 IS NULL OR m.id = ?1) AND (?2 IS NULL OR a.state = ?2)"
                        " ORDER BY a.raised_us DESC, a.id DESC"),
      alarm(*database, "SELECT " ALARM_COLUMNS
                       ", m.id FROM alarm AS a JOIN meter AS m ON m.key = a.meter WHERE a.id = ?1"),
      undecided(*database,
                "SELECT m.id, u.kind, u.from_us, u.to_us, u.text FROM undecided AS u"
                " JOIN meter AS m ON m.key = u.meter WHERE ?1 IS NULL OR m.id = ?1"
                " ORDER BY u.from_us DESC, m.id, u.kind") {}

LedgerView::LedgerView(std::unique_ptr<Tables> tables) : tables_(std::move(tables)) {}

LedgerView::~LedgerView() = default;

Result<void> LedgerView::begin() {
    return tables_->database->begin_read();
}

void LedgerView::end() {
    tables_->database->roll_back();
}

void LedgerView::show_only(std::function<bool(const std::string& meter)> shows) {
    tables_->shows = std::move(shows);
}

Result<std::vector<MeterRecord>> LedgerView::meters() {
    return tables_->reads.meters().map([&](std::vector<MeterRecord> records) {
        std::erase_if(records, [&](const MeterRecord& record) { return tables_->hides(record.id); });
        return records;
    });
}

Result<std::optional<MeterRecord>> LedgerView::meter(const std::string& id) {
    if (tables_->hides(id)) return std::nullopt;
    return tables_->reads.meter(id);
}

Result<std::optional<std::string>> LedgerView::fact(const std::string& name) {
    return tables_->reads.fact(name);
}

Result<std::optional<Row>> LedgerView::row(const RowKey& key) {
    return tables_->reads.row(key);
}

Result<std::vector<Entry>> LedgerView::unseen(MeterKey meter, Span span) {
    return tables_->entries.unseen(meter, span);
}

Result<std::vector<RegisterReading>> LedgerView::register_readings(MeterKey meter) {
    return tables_->register_table.readings(meter);
}

Result<std::vector<HistoryEntry>> LedgerView::history(MeterKey meter, Span span) {
    return tables_->history_table.overlapping(meter, span);
}

Result<std::optional<Instant>> LedgerView::history_begin(MeterKey meter) {
    return tables_->history_table.begin(meter);
}

Result<std::int64_t> LedgerView::outbox_size() {
    if (tables_->shows) return 0;
    return tables_->database->integer("SELECT count(*) FROM outbox");
}

Result<void> LedgerView::entries(MeterKey meter, Span span, const std::function<bool(const Entry&)>& each) {
    if (tables_->database->in_transaction()) return tables_->entries.touching(meter, span, each);
    // Several statements answer this, and they must see one moment.
    if (auto begun = tables_->database->begin_read(); !begun) return begun;
    auto read = tables_->entries.touching(meter, span, each);
    tables_->database->roll_back();
    return read;
}

Result<std::vector<Refused>> LedgerView::refused(MeterKey meter, Span span) {
    Cursor cursor = tables_->refused.run(meter, span.from, span.to);
    return rows_of(cursor, [](const Cursor& row) {
        return row.column(2, Refusal::unreadable).map([&](Refusal reason) {
            return Refused{.meter = row.column<MeterKey>(0),
                           .at = row.column<Instant>(1),
                           .reason = reason,
                           .topic = row.column<std::string>(3),
                           .payload = row.column<std::string>(4),
                           .text = row.column<std::string>(5)};
        });
    });
}

Result<RefusedCount> LedgerView::refused_count(MeterKey meter, Span span) {
    Cursor cursor = tables_->refused_count.run(meter, span.from, span.to);
    const auto more = cursor.next();
    if (!more) return tl::unexpected(more.error());
    return RefusedCount{cursor.column<std::int64_t>(0), cursor.column<std::int64_t>(1)};
}

Result<std::vector<AlarmRecord>> LedgerView::alarms(const std::optional<std::string>& meter,
                                                    std::optional<AlarmState> state) {
    std::vector<AlarmRecord> found;
    Cursor cursor = tables_->alarms.run(meter, state);
    for (;;) {
        const auto more = cursor.next();
        if (!more) return tl::unexpected(more.error());
        if (!*more) return found;
        auto alarm = alarm_of(cursor);
        if (!alarm) return tl::unexpected(alarm.error());
        auto id = cursor.column<std::string>(alarm_column_count);
        if (!tables_->hides(id)) found.push_back({std::move(id), std::move(*alarm)});
    }
}

Result<std::optional<AlarmRecord>> LedgerView::alarm(std::int64_t id) {
    Cursor cursor = tables_->alarm.run(id);
    const auto found = cursor.next();
    if (!found) return tl::unexpected(found.error());
    if (!*found) return std::nullopt;
    auto meter = cursor.column<std::string>(alarm_column_count);
    if (tables_->hides(meter)) return std::nullopt;
    return alarm_of(cursor).map([&](Alarm alarm) {
        return std::optional(AlarmRecord{std::move(meter), std::move(alarm)});
    });
}

Result<std::vector<Undecided>> LedgerView::undecided(const std::optional<std::string>& meter) {
    std::vector<Undecided> found;
    Cursor cursor = tables_->undecided.run(meter);
    for (;;) {
        const auto more = cursor.next();
        if (!more) return tl::unexpected(more.error());
        if (!*more) return found;
        const auto kind = cursor.column(1, static_cast<AlarmKind>(alarm_kind_count - 1));
        if (!kind) return tl::unexpected(kind.error());
        auto id = cursor.column<std::string>(0);
        if (tables_->hides(id)) continue;
        found.push_back({std::move(id),
                         *kind,
                         {cursor.column<Instant>(2), cursor.column<Instant>(3)},
                         cursor.column<std::string>(4)});
    }
}

bool LedgerView::is_in_place() const {
    return tables_->place.is_in_place();
}

Result<std::unique_ptr<LedgerView>> LedgerView::open(const std::filesystem::path& file,
                                                     const std::function<bool()>& is_in_place) {
    auto database = Database::open(file, Database::Access::read);
    if (!database) return tl::unexpected(database.error());
    // The file is open now, and nothing was read yet.
    if (is_in_place && !is_in_place()) {
        return fail("The ledger " + file.string() +
                    " was removed, moved or replaced, and is being recreated. Ask again in a moment.");
    }
    auto ready = (*database)->execute("PRAGMA query_only = ON").and_then([&] {
        return expect_up_to_date(**database);
    });
    if (!ready) return tl::unexpected(ready.error());
    auto tables = std::make_unique<Tables>(std::move(*database));
    tables->place.remember();
    return std::unique_ptr<LedgerView>(new LedgerView(std::move(tables)));
}

}  // namespace tickledger
